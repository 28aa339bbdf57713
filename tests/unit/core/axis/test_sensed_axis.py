"""From a sensor's events to the axis: sigmas hold, the Sun corrects the compass, rest is rest.

The rotations are scipy's; the truth is where each test puts the axis.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from polewright.core.axis.attitude_sensor import SCREEN, TOP_EDGE, Bracket
from polewright.core.axis.device_orientation import OrientationWindow
from polewright.core.axis.field_events import (
    SENSOR_PACE,
    FieldEvent,
    RotationEvent,
    rotation_of_quaternion,
)
from polewright.core.axis.sensed_axis import (
    disturbance_words,
    sensed_axis,
    settle,
    sight_sun,
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
BOTH = pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
DEG = math.pi / 180.0
RATE_HZ = 5.0


def axis_of(place, up_deg=0.0, sideways_deg=0.0):
    return enu_from_altaz(
        math.radians(abs(place.latitude_deg) + up_deg),
        math.radians((180.0 if place.south else 0.0) + sideways_deg),
    )


def held(axis_enu, axis_sensor, turn=0.3):
    """Attitude (sensor to ground) of a sensor whose direction lies along the axis (scipy)."""
    first = Rotation.align_vectors([axis_enu], [axis_sensor])[0]
    return (Rotation.from_rotvec(axis_enu * turn) * first).as_matrix()


def events(
    attitude, field_enu_nt, rng, *, gravity_noise_ms2=0.02, field_noise_nt=500.0, count=30, from_s=0
):
    for number in range(count):
        gravity = attitude.T @ [0.0, 0.0, 9.8] + rng.normal(size=3) * gravity_noise_ms2
        field = attitude.T @ field_enu_nt + rng.normal(size=3) * field_noise_nt
        yield FieldEvent(
            at_s=from_s + number / RATE_HZ, weight_ms2=tuple(gravity), field_nt=tuple(field)
        )


def reading_of(stream):
    window = OrientationWindow(SENSOR_PACE)
    for event in stream:
        assert window.add(event)
    return window.reading()


@BOTH
@pytest.mark.parametrize("side", [TOP_EDGE, SCREEN], ids=["along", "square"])
def test_a_perfect_sensor_gives_the_axis(place, side):
    axis, field = axis_of(place, 3.0, -7.0), magnetic_field(place, DAY)
    rng = np.random.default_rng(1)
    quiet = {"gravity_noise_ms2": 0.0, "field_noise_nt": 0.0}
    reading = reading_of(events(held(axis, side), field.enu_nt, rng, **quiet))
    assert reading.still
    said = sensed_axis(reading, field, Bracket.held(side))
    assert angle_between(said.axis_enu, axis) < 1e-9
    assert not said.disturbed


@given(
    st.tuples(*[st.floats(-1, 1)] * 4).filter(lambda q: 0.6 < np.linalg.norm(q) < 1.9),
)
def test_a_quaternion_is_the_rotation_of_another_library(quaternion):
    w, x, y, z = quaternion
    ours = rotation_of_quaternion(w, x, y, z)
    assert ours == pytest.approx(Rotation.from_quat([x, y, z, w]).as_matrix(), abs=1e-12)


def test_a_field_event_and_the_rotation_that_it_means_agree():
    place = PLACES["north"]
    field = magnetic_field(place, DAY)
    attitude = held(axis_of(place, 2.0, 5.0), TOP_EDGE)
    (event, *_) = events(attitude, field.enu_nt, np.random.default_rng(2),
                         gravity_noise_ms2=0.0, field_noise_nt=0.0)  # fmt: skip
    magnetic = Rotation.from_euler("z", field.declination_rad).as_matrix() @ attitude
    assert event.magnetic_from_device == pytest.approx(magnetic, abs=1e-9)


@BOTH
def test_claimed_sigmas_are_those_of_the_scatter_from_events_to_axis(place):
    """700 sensors, each with zero offset, compass and clamp of its own, each with noise.

    Expectation of the normalised error squared 1, standard error 4 %: 0.9 to 1.1.
    """
    rng = np.random.default_rng(41)
    field = magnetic_field(place, DAY)
    axis = axis_of(place, 1.0, 2.0)
    squares = []
    for _ in range(700):
        crooked = Rotation.from_rotvec(rng.normal(size=3) * 1.0 * DEG).apply(TOP_EDGE.copy())
        attitude = held(axis, crooked, rng.uniform(0, 6))
        # The compass's own error and the model's turn its field about the vertical.
        about_up = rng.normal() * math.hypot(SENSOR_PACE.heading_sigma_rad,
                                             field.declination_sigma_rad)  # fmt: skip
        seen = Rotation.from_rotvec([0.0, 0.0, about_up]).apply(field.enu_nt)
        offset = Rotation.from_rotvec(rng.normal(size=3) * SENSOR_PACE.tilt_sigma_rad)
        stream = [
            FieldEvent(
                at_s=one.at_s, weight_ms2=tuple(offset.apply(one.weight_ms2)), field_nt=one.field_nt
            )
            for one in events(attitude, seen, rng, count=12)
        ]
        said = sensed_axis(reading_of(stream), field, Bracket.held(TOP_EDGE))
        error = np.stack(sky_tangents(said.axis_enu)) @ (axis - said.axis_enu)
        if said.disturbed:  # a gravity that is far off shows as a wrong dip: rarely
            continue
        squares.append(error @ np.linalg.solve(said.covariance_rad2, error) / 2.0)
    assert len(squares) > 660
    assert np.mean(squares) == pytest.approx(1.0, abs=0.1)


@BOTH
def test_the_mean_of_noisy_events_scatters_as_it_says(place):
    rng = np.random.default_rng(42)
    field, axis = magnetic_field(place, DAY), axis_of(place)
    attitude = held(axis, TOP_EDGE)
    tilts, headings, claimed = [], [], []
    for _ in range(200):
        reading = reading_of(events(attitude, field.enu_nt, rng))
        tilts.append(reading.altitude_rad(TOP_EDGE))
        headings.append(reading.magnetic_azimuth_rad(TOP_EDGE))
        claimed.append((reading.tilt_scatter_rad, reading.heading_scatter_rad))
    tilt, heading = np.mean(claimed, axis=0)
    assert np.std(tilts) == pytest.approx(tilt, rel=0.2)
    assert np.std(np.unwrap(headings)) < 1.5 * math.hypot(heading, tilt * math.tan(0.9))


@BOTH
def test_iron_is_told_in_words_and_widens_the_azimuth(place):
    rng = np.random.default_rng(43)
    field, axis = magnetic_field(place, DAY), axis_of(place)
    attitude = held(axis, TOP_EDGE)
    clean = sensed_axis(reading_of(events(attitude, field.enu_nt, rng)), field,
                        Bracket.held(TOP_EDGE))  # fmt: skip
    bent = field.enu_nt + np.array([6000.0, 0.0, 9000.0 * (-1 if field.up_nt < 0 else 1)])
    reading = reading_of(events(attitude, bent, rng))
    said = sensed_axis(reading, field, Bracket.held(TOP_EDGE))
    assert said.disturbed
    assert said.sigma_rad > 1.5 * clean.sigma_rad
    words = disturbance_words(reading, field)
    assert words.startswith("iron nearby bends the compass: the field is ")
    assert "too strong" in words
    assert "too steep" in words


@BOTH
def test_the_sun_corrects_a_compass_that_is_off_by_ten_degrees(place):
    """And the less the sensor is turned after the sight, the surer it is."""
    rng = np.random.default_rng(44)
    field, axis = magnetic_field(place, DAY), axis_of(place, 1.0, -4.0)
    sun = enu_from_altaz(40.0 * DEG, 55.0 * DEG)
    wrong = Rotation.from_rotvec([0.0, 0.0, 10.0 * DEG]).apply(field.enu_nt)
    toward_sun = enu_from_altaz(10.0 * DEG, 55.0 * DEG)
    sight = sight_sun(reading_of(events(held(toward_sun, TOP_EDGE), wrong, rng)), TOP_EDGE, sun)
    reading = reading_of(events(held(axis, TOP_EDGE), wrong, rng))
    by_sun = sensed_axis(reading, field, Bracket.held(TOP_EDGE), sight)
    by_compass = sensed_axis(reading, field, Bracket.held(TOP_EDGE))
    assert angle_between(by_sun.axis_enu, axis) < 1.0 * DEG
    assert angle_between(by_compass.axis_enu, axis) > 4.0 * DEG
    near = reading_of(events(held(toward_sun, TOP_EDGE), wrong, rng))
    assert sight.heading_sigma_rad(near) < 1.6 * DEG
    assert sight.heading_sigma_rad(reading) > 3.0 * DEG


@pytest.mark.parametrize(
    ("sun_altitude_deg", "side_altitude_deg", "code"),
    [(1.0, 0.0, "no_heading"), (80.0, 0.0, "no_heading"), (40.0, 75.0, "no_heading")],
)
def test_a_sun_that_shows_no_azimuth_is_refused(sun_altitude_deg, side_altitude_deg, code):
    field = magnetic_field(PLACES["north"], DAY)
    attitude = held(enu_from_altaz(side_altitude_deg * DEG, 1.0), TOP_EDGE)
    reading = reading_of(events(attitude, field.enu_nt, np.random.default_rng(45)))
    with pytest.raises(MeasurementError) as caught:
        sight_sun(reading, TOP_EDGE, enu_from_altaz(sun_altitude_deg * DEG, 1.0))
    assert caught.value.code == code


def test_a_sensor_without_north_gives_no_axis():
    field = magnetic_field(PLACES["north"], DAY)
    stream = [FieldEvent(at_s=n / RATE_HZ, weight_ms2=(0.0, 5.0, 8.4)) for n in range(20)]
    reading = reading_of(stream)
    assert reading.still
    assert reading.altitude_rad(TOP_EDGE) == pytest.approx(math.atan2(5.0, 8.4))
    with pytest.raises(MeasurementError) as caught:
        sensed_axis(reading, field, Bracket.held(TOP_EDGE))
    assert caught.value.code == "no_north"


def test_its_own_doubt_about_the_heading_is_believed():
    field = magnetic_field(PLACES["north"], DAY)
    stream = [
        RotationEvent(at_s=n / RATE_HZ, magnetic_from_device=np.eye(3), accuracy_deg=60.0)
        for n in range(20)
    ]
    with pytest.raises(MeasurementError) as caught:
        sensed_axis(reading_of(stream), field, Bracket.held(TOP_EDGE))
    assert caught.value.code == "no_north"


def test_figures_rest_while_hands_rest_and_follow_at_once_when_they_move():
    place = PLACES["south"]
    rng = np.random.default_rng(46)
    field = magnetic_field(place, DAY)
    window = OrientationWindow(SENSOR_PACE)
    mean, count, shown = None, 0, []
    clock_s = 0.0

    def look(axis, seconds):
        nonlocal mean, count, clock_s
        attitude = held(axis, TOP_EDGE)
        for _ in range(int(2 * seconds)):
            for event in events(attitude, field.enu_nt, rng, count=3, from_s=clock_s):
                window.add(event)
            clock_s += 3 / RATE_HZ
            if (newest := window.reading()) is not None:
                mean, count = settle(mean, count, newest)
                shown.append(mean.altitude_rad(TOP_EDGE) / DEG)

    look(axis_of(place), 15)
    rest = shown[-12:]
    assert np.ptp(rest) < 0.05
    assert count > 10
    look(axis_of(place, 1.0), 5)
    assert shown[-1] == pytest.approx(abs(place.latitude_deg) + 1.0, abs=0.1)
    assert count < 10


def test_readings_with_and_without_a_field_are_averaged_all_the_same():
    """The newest tells whether there is a field; an old one is not carried along."""
    place = PLACES["north"]
    rng = np.random.default_rng(47)
    window = OrientationWindow(SENSOR_PACE)
    for event in events(held(axis_of(place), TOP_EDGE), magnetic_field(place, DAY).enu_nt, rng):
        window.add(event)
    felt = window.reading()
    blind = replace(felt, field_device_nt=None)
    assert felt.field_device_nt is not None
    for before, newest in ((felt, blind), (blind, felt), (felt, felt)):
        mean, count = settle(before, 1, newest)
        assert count == 2
        assert (mean.field_device_nt is None) is (newest is blind)
    # A compass that comes or goes is another reading altogether.
    assert disturbance_words(blind, magnetic_field(place, DAY)) == ""
    lost = replace(felt, heading_sigma_rad=None)
    assert settle(felt, 1, lost)[1] == settle(lost, 1, felt)[1] == 1


def test_a_turn_about_the_vertical_alone_is_a_move_as_well():
    """It leaves every altitude as it was."""
    place = PLACES["south"]
    rng = np.random.default_rng(48)
    field = magnetic_field(place, DAY).enu_nt
    level = held(axis_of(place), TOP_EDGE)
    read = []
    for turn_deg in (0.0, 0.0, 8.0):
        window = OrientationWindow(SENSOR_PACE)
        attitude = Rotation.from_rotvec([0.0, 0.0, turn_deg * DEG]).as_matrix() @ level
        for event in events(attitude, field, rng):
            window.add(event)
        read.append(window.reading())
    assert settle(read[0], 5, read[1])[1] == 6
    mean, count = settle(read[0], 5, read[2])
    assert count == 1
    assert mean is read[2]


def test_readings_at_rest_are_averaged_and_a_scatter_either_way_is_no_move():
    """The mean of n and one more, by hand: the field as well as the heading."""
    window = OrientationWindow(SENSOR_PACE)
    place, rng = PLACES["north"], np.random.default_rng(49)
    for event in events(held(axis_of(place), TOP_EDGE), magnetic_field(place, DAY).enu_nt, rng):
        window.add(event)
    first = window.reading()
    for turn_deg, at_rest in ((0.4, True), (-0.4, True), (8.0, False), (-8.0, False)):
        turn = Rotation.from_rotvec([0.0, 0.0, turn_deg * DEG])
        newest = replace(
            first,
            magnetic_from_device=turn.as_matrix() @ first.magnetic_from_device,
            field_device_nt=1.1 * first.field_device_nt,
        )
        mean, count = settle(first, 3, newest)
        assert count == (4 if at_rest else 1)
        share = 0.25 if at_rest else 1.0
        np.testing.assert_allclose(
            mean.field_device_nt, (1.0 + 0.1 * share) * first.field_device_nt, rtol=1e-12
        )
        went = Rotation.from_matrix(mean.magnetic_from_device @ first.magnetic_from_device.T)
        assert went.as_rotvec()[2] == pytest.approx(share * turn_deg * DEG, rel=1e-3)
