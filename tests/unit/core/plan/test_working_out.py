"""A plan worked out: heights, Moon and Sun against astropy, and the pole that suits the plan."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time
from astropy.utils import iers

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.plan.cautions import outlook
from polewright.core.plan.evening_plan import PlanAsked, PlannedTrain, PlanSource
from polewright.core.plan.sky_target import SkyTarget, read_place
from polewright.core.plan.window import Window
from polewright.core.plan.working_out import PlanScene, work_out
from polewright.core.sky.place import Place
from polewright.session.limits import SafetyLimits

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
NOW = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)
WINDOW = Window(start=NOW + timedelta(hours=4), end=NOW + timedelta(hours=8))
NEBULA = read_place("nebula = 05:38:42 -69:06:03")
GALAXY = read_place("galaxy = 00:47:33 -25:17:18")
SHORT = PlannedTrain(focal_length_mm=400.0, pixel_size_um=3.76, exposure_s=120.0)


def scene(place=TERRACE, now=NOW, limits=None):
    limits = limits or SafetyLimits()
    return PlanScene(
        now=now,
        zone=timezone(timedelta(hours=2)),
        place=place,
        above_floor=limits.above_floor_deg,
        sun_cone_deg=limits.sun_cone_deg,
    )


def asked(*targets, **more):
    return PlanAsked(
        **{
            "source": PlanSource.COMMAND, "at": NOW, "targets": targets, "trains": (SHORT,),
            "window": WINDOW,
        } | more
    )  # fmt: skip


def codes(plan):
    return [warning.code for warning in plan.warnings]


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
def test_targets_moon_and_sun_stand_where_astropy_puts_them(place):
    place = replace(place, pressure_hpa=0.0)
    targets = (NEBULA, GALAXY, read_place("star = 18:36:56 +38:47:01"))
    view = outlook(targets, WINDOW, place)
    where = EarthLocation(lat=place.latitude_deg, lon=place.longitude_deg, height=place.elevation_m)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        times = Time([instant.replace(tzinfo=None) for instant in view.instants], scale="utc")
        frame = AltAz(obstime=times, location=where)

        def enu(coordinates):
            seen = coordinates.transform_to(frame)
            alt, az = seen.alt.rad, seen.az.rad
            return np.stack(
                [np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1
            )

        for index, target in enumerate(targets):
            theirs = enu(SkyCoord(target.right_ascension_deg, target.declination_deg, unit="deg"))
            apart = np.linalg.norm(view.targets_enu[:, index] - theirs, axis=1)
            assert np.max(apart) < 0.1 * ARCSEC_RAD
        # The Moon's series is good to some 10 arcsec here and astropy's own to as much.
        moon = enu(get_body("moon", times, where))
        assert np.max(np.linalg.norm(view.moon_enu - moon, axis=1)) < 60.0 * ARCSEC_RAD
        sun = enu(get_body("sun", times, where))
        assert np.max(np.linalg.norm(view.sun_enu - sun, axis=1)) < 5.0 * ARCSEC_RAD


def test_a_target_that_is_up_for_part_of_the_window_is_told_when():
    window = Window(start=NOW + timedelta(hours=4), end=NOW + timedelta(hours=9, minutes=30))
    limits = SafetyLimits(altitude_floor_deg=30.0)
    plan = work_out(asked(GALAXY, window=window), scene(limits=limits))
    told = [warning.text for warning in plan.warnings if warning.code == "plan_target_low"]
    assert len(told) == 1
    hour, minute = (int(part) for part in told[0][-5:].split(":"))
    last = datetime(2026, 11, 26 if hour < 12 else 25, hour, minute, tzinfo=scene().zone)
    where = EarthLocation(lat=-32.40, lon=22.70, height=1250.0)
    target = SkyCoord(GALAXY.right_ascension_deg, GALAXY.declination_deg, unit="deg")

    def height(instant):
        return target.transform_to(AltAz(obstime=Time(instant), location=where)).alt.deg

    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        # It is looked at every 10 minutes, in which a target sinks by 2.1 deg here; the air, which
        # astropy leaves out, lifts it by 0.03 deg.
        assert height(last) > 29.9
        assert height(last + timedelta(minutes=11)) < 30.0


def test_trees_count_as_the_floor():
    house = SafetyLimits(horizon=((90.0, 10.0), (135.0, 80.0), (225.0, 80.0), (270.0, 10.0)))
    assert codes(work_out(asked(NEBULA), scene())) == []
    plan = work_out(asked(NEBULA), scene(limits=house))
    assert codes(plan) == ["plan_target_low"]
    assert "all through" in plan.warnings[0].text


def test_the_moon_near_a_target_is_told_with_its_distance_by_astropy():
    moment = Time((WINDOW.start + timedelta(hours=2)).replace(tzinfo=None))
    where = EarthLocation(lat=-32.40, lon=22.70, height=1250.0)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        moon = get_body("moon", moment, where)
    target = SkyTarget(
        name="beside the Moon", right_ascension_deg=float(moon.ra.deg) % 360.0,
        declination_deg=float(np.clip(moon.dec.deg - 12.0, -90, 90)),
    )  # fmt: skip
    plan = work_out(asked(target), scene(limits=SafetyLimits(altitude_floor_deg=0.0)))
    told = [warning.text for warning in plan.warnings if warning.code == "plan_near_moon"]
    assert len(told) == 1
    assert " 12 deg from beside the Moon" in told[0] or " 11 deg from" in told[0]
    assert "% lit" in told[0]


def test_a_target_near_the_sun_by_day_is_a_danger_and_by_night_it_is_none():
    sun = read_place("near the Sun = 16:04 -20:53")
    day = Window(start=NOW - timedelta(hours=6), end=NOW - timedelta(hours=4))
    plan = work_out(asked(sun, window=day), scene(now=NOW - timedelta(hours=8)))
    danger = [warning for warning in plan.warnings if warning.code == "plan_near_sun"]
    assert len(danger) == 1
    assert danger[0].text.startswith("DANGER")
    assert "plan_near_sun" not in codes(work_out(asked(sun), scene()))


def test_a_window_that_is_past_is_told_with_its_age():
    plan = work_out(asked(NEBULA), scene(now=WINDOW.end + timedelta(minutes=30)))
    assert "plan_window_past" in codes(plan)
    assert plan.over(WINDOW.end)
    assert not plan.over(WINDOW.start)
    assert "30 minutes" in next(w.text for w in plan.warnings if w.code == "plan_window_past")


def test_what_no_axis_makes_good_is_told():
    train = replace(SHORT, focal_length_mm=2500.0, exposure_s=300.0)
    assert "plan_too_fine" in codes(work_out(asked(NEBULA, trains=(train,)), scene()))
    train = replace(SHORT, focal_length_mm=2000.0, exposure_s=200.0)
    assert "plan_needs_guiding" in codes(work_out(asked(NEBULA, trains=(train,)), scene()))


def test_the_verification_is_due_before_the_window():
    plan = work_out(asked(NEBULA, verify_before_min=35.0), scene())
    assert plan.verify_at == WINDOW.start - timedelta(minutes=35)
    assert work_out(asked(NEBULA, window=None), scene()).verify_at is None


def test_unguided_plans_aim_at_tonights_pole_where_that_gains():
    """At latitude 35, declination -20 about the meridian the refracted pole leaves 37 arcsec of
    drift and the best axis 15 (note on which pole, own table); at declination 60, 4 h before it,
    7 and 1.6."""
    place = Place(latitude_deg=35.0, longitude_deg=22.7, pressure_hpa=1010.0)
    low = read_place("low = 04:40 -20:00")  # crosses the meridian in the middle of the window
    train = replace(SHORT, exposure_s=300.0, focal_length_mm=800.0)
    plan = work_out(asked(low, trains=(train,)), scene(place))
    assert plan.target_pole == "tonight"
    assert "refracted pole" in plan.pole_reason


@pytest.mark.parametrize(
    ("more", "pole", "reason"),
    [
        ({"trains": (replace(SHORT, guided=True),)}, "refracted", "guiding"),
        ({"window": None}, "refracted", "not known"),
        ({"target_pole": "true"}, "true", "as asked"),
        ({"target_pole": "tonight"}, "tonight", "as asked"),
        ({"trains": (replace(SHORT, focal_length_mm=24.0),)}, "refracted", ""),
    ],
)
def test_which_pole_and_why(more, pole, reason):
    plan = work_out(asked(NEBULA, **more), scene())
    assert plan.target_pole == pole
    assert reason in plan.pole_reason


def test_tonights_pole_that_cannot_be_had_gives_way_with_a_warning():
    never_up = read_place("north = 12:00 +80:00")
    plan = work_out(asked(never_up, target_pole="tonight"), scene())
    assert plan.target_pole == "refracted"
    assert "plan_no_pole" in codes(plan)


def test_a_night_that_does_not_come_is_told_and_leaves_the_rest_of_the_plan():
    north = Place(latitude_deg=68.0, longitude_deg=20.0)
    june = datetime(2026, 6, 21, 12, tzinfo=UTC)
    plan = work_out(asked(NEBULA, window=None, night=True, at=june), scene(north, june))
    assert codes(plan) == ["no_night"]
    assert plan.window is None
    assert plan.tightest is not None


def test_a_commands_night_is_that_of_the_evening_and_the_settings_the_next_one():
    later = NOW + timedelta(days=3)
    command = work_out(asked(NEBULA, window=None, night=True), scene(now=later))
    settings = work_out(
        asked(NEBULA, window=None, night=True, source=PlanSource.SETTINGS), scene(now=later)
    )
    assert command.window.start < NOW + timedelta(hours=12)
    assert settings.window.end > later
