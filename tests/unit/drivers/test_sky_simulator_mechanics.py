"""The simulated mount's geometry and motors, against astropy and against its own laws."""

import dataclasses
import math

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import TETE, AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright_drivers.sky_simulator.axes import Axes, Place, Side, angles_of, place_of
from polewright_drivers.sky_simulator.bolt import Bolt
from polewright_drivers.sky_simulator.mechanics import (
    Joints,
    Mechanics,
    azimuth_altitude_deg,
    direction,
    separation_rad,
)
from polewright_drivers.sky_simulator.play import Play
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import (
    SITES,
    CameraTruth,
    MountTruth,
    Scenario,
    SiteTruth,
    invent,
)

ARCSEC = math.radians(1.0 / 3600.0)
START_S = 1795636800.0
HOME = Joints(axis_1_rad=0.3, axis_2_rad=0.7, azimuth_bolt_rad=0.0, altitude_bolt_rad=0.0)

latitudes = st.one_of(st.floats(-85.0, -5.0), st.floats(5.0, 85.0))
small_deg = st.floats(-20.0, 20.0)


def mechanics(site: SiteTruth, **mount: float) -> Mechanics:
    return Mechanics(site, MountTruth(**mount), CameraTruth())


class Hand:
    """A clock that a test turns."""

    def __init__(self, start_s: float = START_S) -> None:
        self.now_s = start_s

    def __call__(self) -> float:
        return self.now_s


def rig_of(scenario: Scenario) -> tuple[Rig, Hand]:
    hand = Hand()
    return Rig(scenario, hand), hand


def run(rig: Rig, hand: Hand, duration_s: float, step_s: float = 0.5) -> None:
    for _ in range(math.ceil(duration_s / step_s)):
        hand.now_s += step_s
        rig.advance()


@pytest.mark.parametrize("site", ["south", "north"])
@pytest.mark.parametrize(("hour_angle_h", "dec_deg"), [(-3.0, 20.0), (-0.5, -25.0), (2.5, 10.0)])
def test_a_perfect_mount_points_where_it_is_asked(site, hour_angle_h, dec_deg):
    """Outside check: astropy's TETE to AltAz without air; 1 arcsec leaves room for diurnal
    aberration (0.3) and polar motion (0.3), which no mount knows."""
    place = SITES[site]
    rig, hand = rig_of(Scenario(site=place))
    rig.advance()
    ra_deg = (rig.sidereal_deg() - 15.0 * hour_angle_h) % 360.0
    rig.axes.go_to(rig.place(ra_deg, dec_deg), track=True)
    run(rig, hand, 60.0)
    assert not rig.axes.slewing
    assert rig.axes.tracking
    location = EarthLocation.from_geodetic(
        place.longitude_deg * u.deg, place.latitude_deg * u.deg, place.elevation_m * u.m
    )
    for _ in range(3):
        run(rig, hand, 600.0, 10.0)
        when = Time(hand.now_s, format="unix")
        star = SkyCoord(ra_deg * u.deg, dec_deg * u.deg, frame=TETE(obstime=when))
        seen = star.transform_to(AltAz(obstime=when, location=location))
        boresight = rig.mechanics.enu_from_camera(rig.joints())[:, 0]
        assert separation_rad(boresight, direction(seen.az.deg, seen.alt.deg)) < 1.0 * ARCSEC
        believed_ra, believed_dec = rig.believed_place()
        assert abs((believed_ra - ra_deg + 180.0) % 360.0 - 180.0) * 3600.0 < 0.1
        assert abs(believed_dec - dec_deg) * 3600.0 < 0.1


@pytest.mark.parametrize("site", ["south", "north"])
def test_the_perfect_pole_is_as_high_as_the_latitude_and_on_the_right_side(site):
    place = SITES[site]
    azimuth, altitude = azimuth_altitude_deg(mechanics(place).axis_enu(HOME))
    assert altitude == pytest.approx(abs(place.latitude_deg), abs=1e-9)
    assert math.cos(math.radians(azimuth)) == pytest.approx(place.side)


@settings(max_examples=60, deadline=None)
@given(
    latitude=latitudes,
    altitude=small_deg,
    azimuth=st.floats(-170.0, 170.0),
    tilt=st.floats(0.0, 10.0),
    toward=st.floats(0.0, 360.0),
)
def test_the_axis_starts_with_the_errors_that_the_scenario_states(
    latitude, altitude, azimuth, tilt, toward
):
    """Whatever the base's tilt: the errors are stated in the horizon's frame."""
    parts = mechanics(
        SiteTruth(latitude_deg=latitude),
        axis_altitude_error_deg=altitude,
        axis_azimuth_error_deg=azimuth,
        base_tilt_deg=tilt,
        base_tilt_azimuth_deg=toward,
    )
    wanted = direction((0.0 if latitude > 0 else 180.0) + azimuth, abs(latitude) + altitude)
    assert separation_rad(parts.axis_enu(HOME), wanted) < 1e-3 * ARCSEC


@settings(max_examples=60, deadline=None)
@given(
    latitude=latitudes,
    error=small_deg,
    cone=st.floats(-300.0, 300.0),
    skew=st.floats(-300.0, 300.0),
    turn=st.floats(-3.0, 3.0),
)
def test_turning_axis_1_turns_the_camera_about_the_polar_axis(latitude, error, cone, skew, turn):
    """The axis is the fixed point, by that angle, whatever the tube's own faults."""
    parts = mechanics(
        SiteTruth(latitude_deg=latitude),
        axis_azimuth_error_deg=error,
        cone_arcmin=cone,
        non_perpendicularity_arcmin=skew,
        base_tilt_deg=2.0,
    )
    turned = dataclasses.replace(HOME, axis_1_rad=HOME.axis_1_rad + turn)
    motion = parts.enu_from_camera(turned) @ parts.enu_from_camera(HOME).T
    axis = parts.axis_enu(HOME)
    assert np.allclose(motion @ axis, axis, atol=1e-12)
    assert math.isclose(np.trace(motion), 1.0 + 2.0 * math.cos(turn), abs_tol=1e-9)
    side = np.cross(axis, parts.enu_from_camera(HOME)[:, 0])
    assert float(side @ (motion @ parts.enu_from_camera(HOME)[:, 0])) * math.sin(turn) >= -1e-12
    assert np.linalg.det(parts.enu_from_camera(HOME)) == pytest.approx(1.0)


@pytest.mark.parametrize("latitude", [-32.4, 47.0])
def test_the_bolts_move_a_level_mount_east_and_up(latitude):
    site = SiteTruth(latitude_deg=latitude)
    parts = mechanics(site)
    start_az, start_alt = azimuth_altitude_deg(parts.axis_enu(HOME))
    angle = math.radians(0.5)
    up = dataclasses.replace(HOME, altitude_bolt_rad=angle)
    az, alt = azimuth_altitude_deg(parts.axis_enu(up))
    assert alt - start_alt == pytest.approx(0.5, abs=1e-9)
    assert (az - start_az + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)
    east = dataclasses.replace(HOME, azimuth_bolt_rad=angle)
    az, alt = azimuth_altitude_deg(parts.axis_enu(east))
    assert alt == pytest.approx(start_alt, abs=1e-9)
    assert (az - start_az + 180.0) % 360.0 - 180.0 == pytest.approx(0.5, abs=1e-9)


def test_a_tilted_base_couples_the_bolts():
    """On a base leaning 3 deg to the east the azimuth bolt also moves the altitude."""
    parts = mechanics(SITES["north"], base_tilt_deg=3.0, base_tilt_azimuth_deg=90.0)
    _, before = azimuth_altitude_deg(parts.axis_enu(HOME))
    moved = dataclasses.replace(HOME, azimuth_bolt_rad=math.radians(1.0))
    _, after = azimuth_altitude_deg(parts.axis_enu(moved))
    # A turn toward the lower side lowers the axis by sin(tilt) of the turn, nearly.
    assert after - before == pytest.approx(-math.sin(math.radians(3.0)), rel=0.05)


@pytest.mark.parametrize(("site", "toward_deg"), [("north", 0.0), ("south", 180.0)])
def test_a_base_that_leans_toward_the_pole_lowers_the_axis_by_as_much(site, toward_deg):
    parts = mechanics(SITES[site])
    _, before = azimuth_altitude_deg(parts.axis_enu(HOME))
    parts.lean(0.5, toward_deg)
    azimuth, after = azimuth_altitude_deg(parts.axis_enu(HOME))
    assert before - after == pytest.approx(0.5, abs=1e-9)
    assert azimuth % 360.0 == pytest.approx(toward_deg, abs=1e-6)


def test_a_base_that_leans_to_the_east_takes_the_axis_along_by_the_sine_of_its_height():
    parts = mechanics(SITES["north"])
    before = parts.axis_enu(HOME)
    parts.lean(0.5, 90.0)
    moved = parts.axis_enu(HOME) - before
    assert moved[0] == pytest.approx(math.sin(math.radians(0.5)) * before[2], rel=1e-3)
    assert abs(moved[1]) < 1e-9


@settings(max_examples=80, deadline=None)
@given(
    hemisphere=st.sampled_from([1.0, -1.0]),
    hour=st.floats(-179.0, 179.0),
    dec=st.floats(-89.0, 89.0),
    side=st.sampled_from(list(Side)),
)
def test_axis_angles_and_places_are_each_others_inverse(hemisphere, hour, dec, side):
    angles = angles_of(Place(hour_angle_deg=hour, declination_deg=dec), hemisphere, side)
    place, seen = place_of(*angles, hemisphere)
    assert seen is side
    assert place.hour_angle_deg == pytest.approx(hour, abs=1e-9)
    assert place.declination_deg == pytest.approx(dec, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(latitude=latitudes, hour=st.floats(-179.0, 179.0), dec=st.floats(-89.0, 89.0))
def test_both_pier_sides_of_a_perfect_mount_see_the_same_place(latitude, hour, dec):
    parts = mechanics(SiteTruth(latitude_deg=latitude))
    seen = []
    for side in Side:
        first, second = angles_of(
            Place(hour_angle_deg=hour, declination_deg=dec), math.copysign(1.0, latitude), side
        )
        joints = dataclasses.replace(
            HOME, axis_1_rad=math.radians(first), axis_2_rad=math.radians(second)
        )
        seen.append(parts.enu_from_camera(joints))
    assert np.allclose(seen[0][:, 0], seen[1][:, 0], atol=1e-12)
    assert np.allclose(seen[0][:, 1], -seen[1][:, 1], atol=1e-12), "the picture turns over"


@pytest.mark.parametrize("site", ["south", "north"])
def test_cone_error_shows_with_opposite_signs_on_both_pier_sides(site):
    parts = mechanics(SITES[site], cone_arcmin=30.0)
    perfect = mechanics(SITES[site])
    place = Place(hour_angle_deg=40.0, declination_deg=0.0)
    offsets = []
    for side in Side:
        first, second = (math.radians(a) for a in angles_of(place, SITES[site].side, side))
        joints = dataclasses.replace(HOME, axis_1_rad=first, axis_2_rad=second)
        pole = perfect.axis_enu(joints)
        true, asked = (p.enu_from_camera(joints)[:, 0] for p in (parts, perfect))
        offsets.append(float(np.cross(pole, asked) @ true))
    assert offsets[0] == pytest.approx(-offsets[1], rel=1e-6)
    assert abs(offsets[0]) == pytest.approx(math.sin(math.radians(0.5)), rel=1e-6)


def test_play_passes_motion_on_only_after_the_gap():
    play = Play(2.0)
    assert play.follow(0.9) == 0.0
    assert play.follow(3.0) == 2.0
    assert play.follow(1.5) == 2.0
    assert play.follow(0.5) == 1.5


@settings(max_examples=60, deadline=None)
@given(gap=st.floats(0.0, 2.0), moves=st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=20))
def test_play_never_lets_driver_and_driven_part_differ_by_more_than_half_the_gap(gap, moves):
    play, driver = Play(gap), 0.0
    for move in moves:
        driver += move
        assert abs(play.follow(driver) - driver) <= gap / 2.0 + 1e-12


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bolt_moves_its_arcminutes_per_turn_less_the_backlash(sign):
    bolt = Bolt(arcmin_per_turn=60.0, clockwise_sign=sign, backlash_turns=0.1)
    bolt.turn(1.0, 0.5)
    for _ in range(30):
        bolt.advance(0.1)
    assert not bolt.moving
    assert math.degrees(bolt.angle_rad) == pytest.approx(sign * 0.95)
    bolt.turn(-0.1, 0.5)
    bolt.advance(10.0)
    assert math.degrees(bolt.angle_rad) == pytest.approx(sign * 0.95), "inside the play"
    bolt.turn(-0.5, 0.5)
    bolt.advance(10.0)
    assert math.degrees(bolt.angle_rad) == pytest.approx(sign * 0.45)


def test_a_bolt_takes_its_time_and_stops_when_told():
    bolt = Bolt(arcmin_per_turn=60.0, clockwise_sign=1.0, backlash_turns=0.0)
    bolt.turn(2.0, 0.5)
    bolt.advance(1.0)
    assert bolt.moving
    assert bolt.knob_turns == pytest.approx(0.5)
    bolt.abort()
    bolt.advance(5.0)
    assert bolt.knob_turns == pytest.approx(0.5)


def test_a_slew_keeps_to_its_rate_and_an_abort_ends_it():
    axes = Axes(hemisphere=1.0, slew_rate_deg_s=6.0, parked=False)
    axes.go_to(Place(hour_angle_deg=-30.0, declination_deg=30.0), track=True)
    before = list(axes.motor_deg)
    axes.advance(1.0)
    assert max(abs(a - b) for a, b in zip(axes.motor_deg, before, strict=True)) <= 6.0 + 1e-9
    assert axes.slewing
    axes.abort()
    stopped = list(axes.motor_deg)
    axes.advance(5.0)
    assert axes.motor_deg == stopped
    assert not axes.slewing
    assert not axes.tracking


def test_a_sync_shifts_what_the_mount_believes_and_not_where_it_points():
    rig, hand = rig_of(Scenario())
    rig.axes.go_to(Place(hour_angle_deg=-30.0, declination_deg=-50.0), track=True)
    run(rig, hand, 60.0)
    before = rig.joints()
    ra_deg, dec_deg = rig.believed_place()
    rig.axes.sync(rig.place(ra_deg + 1.0, dec_deg + 0.5))
    assert rig.joints() == before
    assert rig.believed_place() == pytest.approx((ra_deg + 1.0, dec_deg + 0.5))


def test_periodic_error_repeats_with_the_worm_and_has_its_amplitude():
    scenario = Scenario(
        mount=MountTruth(periodic_error_arcsec=10.0, worm_period_s=480.0),
    )
    rig, hand = rig_of(scenario)
    rig.axes.tracking = True
    error_arcsec = []
    for _ in range(960):
        hand.now_s += 1.0
        rig.advance()
        ideal = math.radians(rig.axes.motor_deg[0])
        error_arcsec.append((rig.joints().axis_1_rad - ideal) / ARCSEC)
    assert max(error_arcsec) == pytest.approx(10.0, abs=0.1)
    assert min(error_arcsec) == pytest.approx(-10.0, abs=0.1)
    # 480 s of the worm's motion at 240 s per degree; the sky turns 0.3 % faster than that.
    assert error_arcsec[:470] == pytest.approx(error_arcsec[479:949], abs=0.3)


def test_the_mounts_own_clock_and_site_mislead_its_go_to_in_hour_angle_only():
    scenario = Scenario(mount=MountTruth(clock_error_s=10.0))
    rig, _ = rig_of(scenario)
    honest, _ = rig_of(Scenario())
    rig.advance()
    honest.advance()
    shift = (rig.sidereal_deg() - honest.sidereal_deg()) * 3600.0
    assert shift == pytest.approx(10.0 * 15.041067, abs=0.01)


@pytest.mark.parametrize("site", ["south", "north"])
@pytest.mark.parametrize("seed", range(12))
def test_an_invented_mount_is_half_a_degree_to_three_degrees_off(site, seed):
    rig, _ = rig_of(invent(seed, site))
    truth = rig.truth()
    assert 0.5 * 3600.0 <= truth.total_error_arcsec <= 3.0 * 3600.0
    assert abs(truth.alt_error_arcmin) > 5.0
    assert abs(truth.az_error_arcmin) > 5.0


def test_turning_both_knobs_as_the_truth_says_brings_the_axis_to_the_pole():
    """On a level base and without play one correction of both bolts is exact."""
    drawn = invent(5, "north")
    level = dataclasses.replace(drawn.mount, base_tilt_deg=0.0)
    bolts = dataclasses.replace(
        drawn.bolts, azimuth_backlash_turns=0.0, altitude_backlash_turns=0.0
    )
    rig, hand = rig_of(dataclasses.replace(drawn, mount=level, bolts=bolts))
    truth = rig.truth()
    for bolt, error_arcmin, per_turn, word, good in (
        (
            rig.azimuth_bolt,
            truth.az_error_arcmin,
            bolts.azimuth_arcmin_per_turn,
            bolts.azimuth_clockwise,
            "east",
        ),
        (
            rig.altitude_bolt,
            truth.alt_error_arcmin,
            bolts.altitude_arcmin_per_turn,
            bolts.altitude_clockwise,
            "raises",
        ),
    ):
        bolt.turn(-error_arcmin / per_turn * (1.0 if word == good else -1.0), 0.5)
    run(rig, hand, 60.0)
    assert rig.truth().total_error_arcsec < 0.001


def test_the_refracted_pole_is_raised_by_the_airs_refraction():
    """Outside check: refractivity of dry air by Edlen (1966, Metrologia 2, 71) and the first
    two terms of the classical series, R = (n - 1) ((1 - H) tan z - (H - (n - 1) / 2) tan^3 z)
    with H = 8.0 km / Earth's radius: good to 0.1 arcsec at this height."""
    site = dataclasses.replace(SITES["north"], relative_humidity=0.0)
    rig, _ = rig_of(Scenario(site=site))
    truth = rig.truth()
    assert truth.total_error_arcsec == pytest.approx(0.0, abs=1e-6)
    wave = 1.0 / site.wavelength_um**2
    standard = (8342.13 + 2406030.0 / (130.0 - wave) + 15997.0 / (38.9 - wave)) * 1e-8
    n1 = standard * site.station_pressure_hpa / 1013.25 * 288.15 / (273.15 + site.temperature_c)
    refraction = truth.total_error_refracted_arcsec * ARCSEC
    tangent = math.tan(math.radians(90.0 - 47.0) - refraction)
    scale_height = 8.0 / 6378.0
    series = n1 * ((1.0 - scale_height) * tangent - (scale_height - n1 / 2.0) * tangent**3)
    assert refraction / ARCSEC == pytest.approx(series / ARCSEC, abs=0.1)
