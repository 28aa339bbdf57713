"""Aids of the day against NREL's example and skyfield's almanac."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import skyfield_data
from skyfield import almanac
from skyfield.api import load, load_file, wgs84

from polewright.core.geometry.directions import enu_from_altaz, wrap_half_turn
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import (
    STARS_RAD,
    body_day,
    by_day,
    local_noon,
    meridian_turn,
    shadow_rate_rad_s,
    stick_sigma_rad,
    sun_crosses,
    sun_day,
    sun_minutes,
)

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)


def _seconds(one, other):
    return abs((one - other).total_seconds())


def test_noon_rise_and_set_are_those_of_nrels_example():
    """Source: Reda & Andreas, NREL/TP-560-34302 (from memory): 17 October 2003 at UTC-7, transit
    11:46:05, rise 06:12:43, set 17:20:19, with UT1 = UTC (0.4 s).

    It works on the day of UT: its setting is the one at 00:20 UT, the evening of the 16th there.
    """
    golden = Place(latitude_deg=39.742476, longitude_deg=-105.1786, elevation_m=1830.14)
    day = sun_day(golden, datetime(2003, 10, 17, 19, 30, tzinfo=UTC))
    midnight = datetime(2003, 10, 17, 7, tzinfo=UTC)
    assert _seconds(day.noon, midnight + timedelta(hours=11, minutes=46, seconds=5)) < 2.0
    assert _seconds(day.sunrise, midnight + timedelta(hours=6, minutes=12, seconds=43)) < 5.0
    eve = sun_day(golden, datetime(2003, 10, 16, 19, 30, tzinfo=UTC))
    setting = midnight + timedelta(days=-1, hours=17, minutes=20, seconds=19)
    assert _seconds(eve.sunset, setting) < 5.0


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
def test_twilights_agree_with_skyfields_almanac(place):
    """Source: skyfield's dark_twilight_day with DE421, to 3 s."""
    day = sun_day(place, datetime(2026, 11, 25, 11, tzinfo=UTC))
    kernel = load_file(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    try:
        timescale = load.timescale(builtin=True)
        phases = almanac.dark_twilight_day(
            kernel, wgs84.latlon(place.latitude_deg, place.longitude_deg)
        )
        times, _ = almanac.find_discrete(
            timescale.from_datetime(day.noon - timedelta(hours=11.9)),
            timescale.from_datetime(day.noon + timedelta(hours=11.9)),
            phases,
        )
        theirs = [t.utc_datetime() for t in times]
    finally:
        kernel.close()
    ours = [
        day.astronomical_dawn, day.nautical_dawn, day.civil_dawn, day.sunrise,
        day.sunset, day.civil_dusk, day.nautical_dusk, day.astronomical_dusk,
    ]  # fmt: skip
    assert len(theirs) == 8
    for one, other in zip(ours, theirs, strict=True):
        assert _seconds(one, other) < 3.0


def test_a_northern_summer_has_no_astronomical_night_and_the_polar_day_no_sunset():
    june = datetime(2026, 6, 21, 11, tzinfo=UTC)
    assert sun_day(Place(latitude_deg=55.0, longitude_deg=8.0), june).astronomical_dusk is None
    polar = sun_day(Place(latitude_deg=75.0, longitude_deg=8.0), june)
    assert polar.sunset is None
    assert polar.sunrise is None
    assert polar.noon_altitude_rad > 0.5


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
def test_at_noon_the_shadow_lies_along_the_meridian(place):
    noon = local_noon(place, datetime(2026, 11, 25, 9, tzinfo=UTC))
    minute = sun_minutes(place, noon, 1)[0]
    toward = math.pi if place.south else 0.0
    assert abs(math.sin(minute.shadow_azimuth_rad - toward)) < math.radians(0.002)
    assert math.cos(minute.shadow_azimuth_rad - toward) > 0.0


def test_minutes_go_on_and_the_night_has_no_shadow():
    minutes = sun_minutes(YARD, datetime(2026, 11, 25, 14, 0, tzinfo=UTC), 240)
    assert [m.instant.minute for m in minutes[:3]] == [0, 1, 2]
    assert minutes[0].shadow_length > 1.0
    assert (np.diff([m.azimuth_rad for m in minutes]) > 0.0).all()
    assert math.isnan(minutes[-1].shadow_azimuth_rad)
    assert math.isnan(minutes[-1].shadow_length)


def test_the_sticks_accuracy_is_a_fraction_of_a_degree_and_worst_under_a_high_sun():
    low, high = stick_sigma_rad(math.radians(20.0)), stick_sigma_rad(math.radians(70.0))
    assert math.degrees(low) == pytest.approx(0.11, abs=0.02)
    assert math.degrees(high) == pytest.approx(0.74, abs=0.1)
    assert stick_sigma_rad(0.5, stick_m=0.1) > stick_sigma_rad(0.5, stick_m=2.0)


def test_what_stands_in_the_sky_by_day_is_told_with_its_distance_from_the_sun():
    """Source: on 2026-08-15 Venus stood at its greatest elongation east, 45.9 deg (almanacs)."""
    start = datetime(2026, 8, 15, 6, tzinfo=UTC)
    found = {b.body: b for b in by_day(TERRACE, start, start + timedelta(hours=10))}
    venus = found[Body.VENUS]
    assert math.degrees(venus.elongation_rad) == pytest.approx(45.9, abs=0.2)
    assert venus.west_of_sun_rad < 0.0
    assert venus.up_from <= venus.best <= venus.up_until
    assert 0.4 < venus.illuminated_fraction < 0.6
    assert Body.SUN not in found


@pytest.fixture(scope="module")
def jpl():
    """DE421, as the package skyfield-data carries it."""
    kernel = load_file(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    yield kernel
    kernel.close()


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize(
    ("body", "name", "within_s"),
    [(Body.MOON, "moon", 8.0), (Body.VENUS, "venus", 8.0), (Body.JUPITER, "jupiter barycenter", 8)],
)
def test_rising_culminating_and_setting_agree_with_skyfield(body, name, within_s, place, jpl):
    """Source: skyfield's find_risings, find_transits and find_settings with DE421, to 8 s: the
    Moon's series is good to 3 arcsec, the horizon's air is 34 arcmin in both."""
    start = datetime(2026, 11, 24, 23, tzinfo=UTC)
    end = start + timedelta(days=1)
    ours = body_day(body, place, start, end)
    timescale = load.timescale(builtin=True)
    there = jpl["earth"] + wgs84.latlon(place.latitude_deg, place.longitude_deg)
    arguments = there, jpl[name], timescale.from_datetime(start), timescale.from_datetime(end)
    rises, risen = almanac.find_risings(*arguments)
    sets, went = almanac.find_settings(*arguments)
    over = almanac.find_transits(*arguments)
    for one, times, true in (
        (ours.rises, rises, risen), (ours.sets, sets, went), (ours.culminates, over, None),
    ):  # fmt: skip
        assert len(times) < 2
        if len(times) == 0:  # the Moon is 50 min later each day: one of them it skips
            assert one is None
            continue
        assert true is None or bool(true[0])
        assert _seconds(one, times[0].utc_datetime()) < within_s
    assert body is not Body.MOON or place is not TERRACE or None in (ours.rises, ours.culminates)


def test_stars_are_measured_between_the_two_times_at_which_the_sun_is_deep_enough():
    day = sun_day(YARD, datetime(2026, 11, 25, 11, tzinfo=UTC))
    assert day.civil_dusk < day.stars_from < day.nautical_dusk
    assert day.nautical_dawn < day.stars_until < day.civil_dawn
    half = timedelta(hours=6)
    assert sun_crosses(YARD, day.noon, day.noon + half, STARS_RAD) == day.stars_from


@pytest.mark.parametrize("azimuth_deg", range(0, 360, 15))
def test_from_a_shadow_turned_as_told_one_faces_along_the_meridian(azimuth_deg):
    turn = meridian_turn(math.radians(azimuth_deg))
    assert abs(turn.clockwise_rad) <= math.pi / 2.0 + 1e-12
    # Clockwise seen from above is toward increasing azimuth, from north to east.
    after = math.radians(azimuth_deg) + turn.clockwise_rad
    end = math.pi if turn.toward_south else 0.0
    assert abs(wrap_half_turn(after - end)) < 1e-12
    mark = enu_from_altaz(0.0, math.radians(azimuth_deg))
    assert np.linalg.norm(mark - enu_from_altaz(0.0, end)) == pytest.approx(turn.across)


def test_in_the_tropics_the_noon_shadow_points_to_either_side_with_the_season():
    """At 10 deg north the Sun's declination of +23 in June exceeds the latitude: it culminates in
    the north, and the shadow points south; in December it points north."""
    tropics = Place(latitude_deg=10.0, longitude_deg=8.0)
    for month, toward in ((6, math.pi), (12, 0.0)):
        noon = local_noon(tropics, datetime(2026, month, 21, 11, tzinfo=UTC))
        shadow = sun_minutes(tropics, noon, 1)[0].shadow_azimuth_rad
        assert abs(wrap_half_turn(shadow - toward)) < math.radians(0.02)
        rate = shadow_rate_rad_s(tropics, noon)
        # North of the equator the shadow goes clockwise, but not under a Sun in the north.
        assert (rate > 0.0) == (toward == 0.0)


def _tip(top_enu, sun_enu):
    """Return where a ray past the top of a stick meets the level ground (east, north)."""
    return (top_enu - sun_enu * (top_enu[2] / sun_enu[2]))[:2]


def _azimuth(east_north):
    return math.atan2(east_north[0], east_north[1])


@pytest.mark.parametrize("altitude_deg", [15.0, 40.0, 65.0])
def test_the_parts_of_the_sticks_accuracy_are_those_of_traced_rays(altitude_deg):
    """Geometry drawn out: rays from the Sun's limb past the top, a leaning stick, a mark beside."""
    altitude, azimuth = math.radians(altitude_deg), 1.0
    top, sun = np.array([0.0, 0.0, 1.0]), enu_from_altaz(altitude, azimuth)
    shadow = _azimuth(_tip(top, sun))
    across = np.array([math.cos(azimuth), -math.sin(azimuth), 0.0])
    along = np.cross(across, sun)
    radius = math.radians(0.2666)
    limb = [
        math.cos(radius) * sun + math.sin(radius) * (math.cos(t) * across + math.sin(t) * along)
        for t in np.linspace(0.0, 2.0 * math.pi, 721)
    ]
    turned = [wrap_half_turn(_azimuth(_tip(top, ray)) - shadow) for ray in limb]
    penumbra = 0.1 * (max(turned) - min(turned))
    only_blur = stick_sigma_rad(altitude, plumb_rad=0.0, mark_m=0.0)
    assert only_blur == pytest.approx(penumbra, rel=0.001)
    # Leaning by 0.2 deg to the side, seen from the foot.
    lean = math.radians(0.2)
    leaning = math.cos(lean) * top + math.sin(lean) * across
    moved = abs(wrap_half_turn(_azimuth(_tip(leaning, sun)) - shadow))
    whole = stick_sigma_rad(altitude, mark_m=0.0)
    assert math.sqrt(whole**2 - only_blur**2) == pytest.approx(moved, rel=0.001)
    # A mark 3 mm beside the tip of a stick of 1 m.
    beside = _tip(top, sun) + 0.003 * across[:2]
    moved = abs(wrap_half_turn(_azimuth(beside) - shadow))
    whole = stick_sigma_rad(altitude, plumb_rad=0.0)
    assert math.sqrt(whole**2 - only_blur**2) == pytest.approx(moved, rel=0.001)
