"""Sensors on an axis: the axis comes back, sigmas hold, iron shows, brackets are learned."""

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from polewright.core.axis.attitude_sensor import (
    SCREEN,
    TOP_EDGE,
    Bracket,
    field_misfit,
    learn_bracket,
    magnetic_axis,
    oriented_axis,
    sunlit_axis,
    turned_axis,
)
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import angle_between, enu_from_altaz, sky_tangents
from polewright.core.sky.magnetic import magnetic_field
from polewright.core.sky.place import Place

PLACES = {
    "north": Place(latitude_deg=47.0, longitude_deg=8.0),
    "south": Place(latitude_deg=-32.4, longitude_deg=22.7),
}
DAY = datetime(2026, 11, 25, 10, tzinfo=UTC)
SURE = np.eye(2) * 1e-12
BOTH = pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)


def _held(axis_enu, axis_sensor, turn):
    """Attitude (sensor to ground) of a sensor whose direction lies along the axis, turned about
    it (scipy)."""
    first = Rotation.align_vectors([axis_enu], [axis_sensor])[0]
    return (Rotation.from_rotvec(axis_enu * turn) * first).as_matrix()


def _axis(place, up_deg=0.0, sideways_deg=0.0):
    return enu_from_altaz(
        math.radians(abs(place.latitude_deg) + up_deg),
        math.radians((180.0 if place.south else 0.0) + sideways_deg),
    )


def _jolt(vector, sigma, rng):
    return Rotation.from_rotvec(rng.normal(size=3) * sigma).apply(np.array(vector))


@BOTH
@pytest.mark.parametrize("held", [TOP_EDGE, SCREEN, np.array([0.6, -0.48, 0.64])])
def test_a_perfect_sensor_gives_the_axis_however_it_is_held(place, held):
    field = magnetic_field(place, DAY)
    axis = _axis(place, 3.0, -7.0)
    sun = enu_from_altaz(0.6, 1.1)
    bracket = Bracket(axis_sensor=held, covariance_rad2=SURE)
    for turn in (0.0, 1.0, 4.0):
        attitude = _held(axis, held, turn)
        up = attitude.T @ [0.0, 0.0, 9.81]
        by_field = magnetic_axis(up, attitude.T @ field.enu_nt, field, bracket)
        by_sun = sunlit_axis(up, attitude.T @ sun, sun, bracket, sun_sigma_rad=0.01)
        assert angle_between(by_field.axis_enu, axis) < 1e-9
        assert angle_between(by_sun.axis_enu, axis) < 1e-9
        assert not by_field.disturbed
        magnetic = Rotation.from_euler("z", field.declination_rad).as_matrix()
        by_phone = turned_axis(magnetic @ attitude, field, bracket)
        assert angle_between(by_phone.axis_enu, axis) < 1e-9


@BOTH
def test_claimed_sigmas_are_those_of_the_scatter(place):
    """400 readings with noise of gravity, field and bracket: normalised error squared 1 to 15 %."""
    rng = np.random.default_rng(31)
    field = magnetic_field(place, DAY)
    axis = _axis(place, 1.0, 2.0)
    tilt, heading, hand = (math.radians(x) for x in (0.3, 0.5, 1.0))
    squares = []
    for _ in range(400):
        attitude = _held(axis, _jolt(SCREEN, hand, rng), rng.uniform(0, 6))
        model_off = Rotation.from_rotvec([0, 0, rng.normal() * field.declination_sigma_rad]).apply(
            field.enu_nt
        )
        said = magnetic_axis(
            _jolt(attitude.T @ [0.0, 0.0, 1.0], tilt, rng),
            _jolt(attitude.T @ model_off, heading, rng),
            field,
            Bracket.held(SCREEN, hand),
            tilt_sigma_rad=tilt,
            field_sigma_rad=heading,
        )
        error = np.stack(sky_tangents(said.axis_enu)) @ (axis - said.axis_enu)
        squares.append(error @ np.linalg.solve(said.covariance_rad2, error) / 2.0)
    assert np.mean(squares) == pytest.approx(1.0, abs=0.15)


def test_the_sigma_of_the_sun_method_is_that_of_the_closed_form():
    """Source: own table, sigma^2 = (s / cos h)^2 + (t tan h)^2 + (t tan alt)^2 within 20 %: tilt
    0.2 deg, Sun 0.3 deg, 10 / 30 / 50 / 65 deg high: 0.37 / 0.44 / 0.59 / 0.89 deg of azimuth."""
    axis = enu_from_altaz(math.radians(45.0), 0.0)
    bracket = Bracket(axis_sensor=SCREEN, covariance_rad2=SURE)
    for high, azimuth_deg in ((10, 0.37), (30, 0.44), (50, 0.59), (65, 0.89)):
        variances = []
        for around in np.arange(0.0, 2 * math.pi, 0.5):
            sun = enu_from_altaz(math.radians(high), around)
            attitude = _held(axis, SCREEN, 0.3)
            said = sunlit_axis(
                attitude.T @ [0.0, 0.0, 1.0], attitude.T @ sun, sun, bracket,
                tilt_sigma_rad=math.radians(0.2), sun_sigma_rad=math.radians(0.3),
            )  # fmt: skip
            variances.append(said.covariance_rad2[0, 0] / math.cos(math.radians(45.0)) ** 2)
            assert math.degrees(math.sqrt(said.covariance_rad2[1, 1])) == pytest.approx(
                0.2, rel=0.01
            )
        assert math.degrees(math.sqrt(np.mean(variances))) == pytest.approx(azimuth_deg, rel=0.2)


@BOTH
def test_iron_near_the_sensor_shows_and_widens_the_azimuth(place):
    rng = np.random.default_rng(32)
    field = magnetic_field(place, DAY)
    axis = _axis(place)
    attitude = _held(axis, SCREEN, 0.4)
    up = attitude.T @ [0.0, 0.0, 1.0]
    bracket = Bracket(axis_sensor=SCREEN, covariance_rad2=SURE)
    clean = magnetic_axis(up, attitude.T @ field.enu_nt, field, bracket)
    shown, inside, count = 0, 0, 60
    for _ in range(count):
        iron = rng.normal(size=3) * 6000.0
        said = magnetic_axis(up, attitude.T @ (field.enu_nt + iron), field, bracket)
        shown += said.disturbed
        if said.disturbed:
            assert said.sigma_rad > clean.sigma_rad
            inside += angle_between(said.axis_enu, axis) < 3.0 * said.sigma_rad
    assert shown > 0.6 * count
    assert inside > 0.9 * shown


@BOTH
def test_a_bracket_learned_from_ten_nights_gives_the_altitude_to_a_third_of_a_degree(place):
    rng = np.random.default_rng(33)
    field = magnetic_field(place, DAY)
    crooked = _jolt(SCREEN, math.radians(1.5), rng)
    spread = math.radians(0.1)
    before = Bracket.held(SCREEN, math.radians(2.0))

    def said(axis):
        attitude = _held(axis, _jolt(crooked, spread, rng), 0.2)
        return attitude, lambda bracket: magnetic_axis(
            _jolt(attitude.T @ [0.0, 0.0, 1.0], math.radians(0.2), rng),
            _jolt(attitude.T @ field.enu_nt, math.radians(1.0), rng),
            field,
            bracket,
            tilt_sigma_rad=math.radians(0.2),
            field_sigma_rad=math.radians(1.0),
        )

    pairs = []
    for _ in range(10):
        axis = _axis(place, *rng.normal(size=2))
        pairs.append((said(axis)[1](before), axis, np.eye(2) * 1e-9))
    learned = learn_bracket(before, pairs)
    assert learned.surveys == 10
    errors = []
    for _ in range(40):
        axis = _axis(place, *rng.normal(size=2))
        reading = said(axis)[1](learned)
        errors.append(math.asin(reading.axis_enu[2]) - math.asin(axis[2]))
        claimed = math.sqrt(reading.covariance_rad2[1, 1])
    rms = math.degrees(math.sqrt(np.mean(np.square(errors))))
    assert rms < 0.35
    assert math.degrees(claimed) == pytest.approx(rms, rel=0.5)


def test_a_moving_sensor_and_a_steep_sun_are_refused():
    bracket = Bracket.held(SCREEN)
    sun = enu_from_altaz(math.radians(88.5), 0.2)
    with pytest.raises(MeasurementError) as caught:
        sunlit_axis(np.array([0.0, 0.0, 11.5]), sun, sun, bracket, sun_sigma_rad=0.01)
    assert caught.value.code == "not_at_rest"
    with pytest.raises(MeasurementError) as caught:
        sunlit_axis(np.array([0.0, 0.0, 9.8]), sun, sun, bracket, sun_sigma_rad=0.01)
    assert caught.value.code == "no_heading"


@pytest.mark.parametrize(
    ("weight", "rests"), [(9.81, True), (9.4, True), (9.2, False), (1.015, True), (1.03, False)]
)
def test_a_weight_is_that_of_rest_in_metres_per_second_squared_or_in_g(weight, rests):
    """5 % of the one, as gravity and a cheap sensor differ, 2 % of the other."""
    sun = enu_from_altaz(math.radians(30.0), 0.2)
    gravity = np.array([0.0, 0.0, weight])
    if rests:
        sunlit_axis(gravity, sun, sun, Bracket.held(SCREEN), sun_sigma_rad=0.01)
        return
    with pytest.raises(MeasurementError) as caught:
        sunlit_axis(gravity, sun, sun, Bracket.held(SCREEN), sun_sigma_rad=0.01)
    assert caught.value.code == "not_at_rest"


def test_a_compass_that_feels_nothing_lacks_all_of_the_field():
    field = magnetic_field(PLACES["north"], DAY)
    assert field_misfit(np.array([0.0, 0.0, 9.81]), np.zeros(3), field) == (-1.0, 0.0)


@BOTH
def test_ten_nights_by_a_compass_say_no_more_of_the_azimuth_than_one_to_another_compass(place):
    """Its error is the same in all: divided by ten for itself, and not for what comes after it."""
    rng = np.random.default_rng(35)
    field = magnetic_field(place, DAY)
    before = Bracket.held(SCREEN, math.radians(2.0))
    pairs = []
    for _ in range(10):
        axis = _axis(place)
        attitude = _held(axis, SCREEN, 0.2)
        said = magnetic_axis(
            _jolt(attitude.T @ [0.0, 0.0, 1.0], math.radians(0.1), rng),
            _jolt(attitude.T @ field.enu_nt, math.radians(1.0), rng),
            field,
            before,
            tilt_sigma_rad=math.radians(0.1),
            field_sigma_rad=math.radians(1.0),
        )
        pairs.append((said, axis, np.eye(2) * 1e-9))
    low, high = np.linalg.eigvalsh(learn_bracket(before, pairs).covariance_rad2)
    other_low, other_high = np.linalg.eigvalsh(
        learn_bracket(before, pairs, same_compass=False).covariance_rad2
    )
    assert other_high > 2.5 * high
    assert other_low == pytest.approx(low, rel=0.3)


@BOTH
@pytest.mark.parametrize("part", [0.12, 0.4])
def test_a_field_too_strong_widens_the_heading_by_what_it_would_do_sideways(place, part):
    """Iron of that strength, level and across north, turns the needle by atan(iron / level)."""
    field = magnetic_field(place, DAY)
    axis = _axis(place)
    attitude = _held(axis, SCREEN, 0.4)
    said = magnetic_axis(
        attitude.T @ [0.0, 0.0, 1.0],
        attitude.T @ (field.enu_nt * (1.0 + part)),
        field,
        Bracket(axis_sensor=SCREEN, covariance_rad2=np.eye(2) * 1e-12),
        tilt_sigma_rad=1e-6,
        field_sigma_rad=1e-6,
    )
    assert said.disturbed
    level_nt = math.hypot(field.enu_nt[0], field.enu_nt[1])
    turned = math.atan(part * np.linalg.norm(field.enu_nt) / level_nt)
    azimuth_sigma = math.sqrt(said.covariance_rad2[0, 0]) / math.hypot(axis[0], axis[1])
    assert azimuth_sigma == pytest.approx(math.hypot(turned, field.declination_sigma_rad), rel=1e-3)


@BOTH
@pytest.mark.parametrize("turn", [0.0, 1.0, 2.5])
def test_what_a_survey_teaches_of_a_bracket_is_the_readings_own_error(place, turn):
    """However loosely it was believed to sit, and however the sensor is turned about the axis.

    By hand: tilt 0.1 deg; on the sky the compass's 3 deg of azimuth times cos(alt); and 0.3 deg for
    how a clamp sits, once when it was learned and once the next time.
    """
    axis = _axis(place)
    attitude = _held(axis, SCREEN, turn)
    level = math.hypot(axis[0], axis[1])
    clamp = math.radians(0.3) ** 2
    expected = [
        2.0 * clamp + math.radians(0.1) ** 2,
        2.0 * clamp + (math.radians(3.0) * level) ** 2,
    ]
    for loose_deg in (30.0, 90.0):
        before = Bracket.held(SCREEN, math.radians(loose_deg))
        said = oriented_axis(
            attitude,
            before,
            tilt_sigma_rad=math.radians(0.1),
            heading_sigma_rad=math.radians(3.0),
        )
        learned = learn_bracket(before, [(said, axis, np.zeros((2, 2)))])
        values = np.linalg.eigvalsh(learned.covariance_rad2)
        # The belief before, 30 deg, takes off less than a hundredth of 3 deg squared.
        np.testing.assert_allclose(values, expected, rtol=0.03)
