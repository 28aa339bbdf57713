"""A wrong clock or place turns the sky and the axis together; the figures that the docs name."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import solve_axis
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between, sky_tangents
from polewright.core.geometry.rotations import rotation_about
from polewright.core.geometry.wahba import fit_rotation
from polewright.core.sky.observed import ObservingMoment, pole_enu
from polewright.core.sky.place import Place
from tests.unit.core.axis.skies import INSTANT, first_attitude

TRUE_PLACE = Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0)
FIELD_RAD = np.radians(3.0)
STARS = np.random.default_rng(3).normal(size=(20_000, 3))
STARS /= np.linalg.norm(STARS, axis=1)[:, None]


def error_arcsec(place: Place, axis: np.ndarray) -> np.ndarray:
    """Axis minus refracted pole, east and up on the sky."""
    pole = pole_enu(place, refracted=True)
    return np.stack(sky_tangents(pole)) @ (axis - pole) / ARCSEC_RAD


def measured_error_arcsec(
    true_axis: np.ndarray, believed: Place, *clock_errors: timedelta
) -> np.ndarray:
    """Survey a known axis while believing in a wrong clock (of each frame) and place."""
    start = first_attitude(true_axis, 55.0)
    attitudes = []
    every = clock_errors * 3 if len(clock_errors) == 1 else clock_errors
    for index, (turn_deg, clock_error) in enumerate(zip((0.0, 30.0, 60.0), every, strict=True)):
        instant = INSTANT + timedelta(seconds=20 * index)
        attitude = rotation_about(true_axis, np.radians(turn_deg)) @ start
        seen = ObservingMoment.at(TRUE_PLACE, instant).enu_from_icrs(STARS)
        near = seen @ attitude[:, 0] > np.cos(FIELD_RAD)
        taken_for = ObservingMoment.at(believed, instant + clock_error).enu_from_icrs(STARS[near])
        in_camera = seen[near] @ attitude
        attitudes.append(
            ObservedAttitude(
                enu_from_camera=fit_rotation(in_camera, taken_for, np.full(near.sum(), ARCSEC_RAD))[
                    0
                ].T,
                covariance_camera_rad2=np.diag([20.0, 0.5, 0.5]) ** 2 * ARCSEC_RAD**2,
                instant=instant + clock_error,
            )
        )
    return error_arcsec(believed, solve_axis(attitudes).axis_enu)


def axis_off(degrees: float) -> np.ndarray:
    pole = pole_enu(TRUE_PLACE, refracted=True)
    east, up = sky_tangents(pole)
    axis = rotation_about(np.cross(pole, 0.6 * east + 0.8 * up), np.radians(degrees)) @ pole
    assert angle_between(axis, pole) == pytest.approx(np.radians(degrees))
    return axis


def shift_arcsec(believed: Place, *clock_errors: timedelta, degrees: float = 1.0) -> float:
    axis = axis_off(degrees)
    return float(
        np.linalg.norm(
            measured_error_arcsec(axis, believed, *clock_errors) - error_arcsec(TRUE_PLACE, axis)
        )
    )


def test_a_right_clock_and_place_give_the_axis_back():
    assert shift_arcsec(TRUE_PLACE, timedelta(0)) < 0.01


def test_a_clock_ten_seconds_wrong_moves_an_axis_one_degree_off_by_under_three_arcsec():
    """Expected: 1 deg x 15.04 arcsec/s x 10 s = 2.6 arcsec, a turn about the pole."""
    assert shift_arcsec(TRUE_PLACE, timedelta(seconds=10)) == pytest.approx(2.62, abs=0.3)


def test_a_wrong_longitude_is_a_wrong_clock():
    east_by_ten_seconds = replace(
        TRUE_PLACE, longitude_deg=TRUE_PLACE.longitude_deg + 10.0 * 15.041 / 3600.0
    )
    assert shift_arcsec(east_by_ten_seconds, timedelta(0)) == pytest.approx(2.62, abs=0.3)


def test_ten_kilometres_east_are_26_seconds_of_clock_and_leave_the_distance_from_the_pole():
    """By hand: 10 km / (6378 km cos 32.4 deg) = 0.106 deg, and 1 deg x 0.106 deg = 6.7 arcsec.

    Nearly all of it is a turn about the pole: how far off the axis is stays.
    """
    there = replace(TRUE_PLACE, longitude_deg=TRUE_PLACE.longitude_deg + 0.1064)
    assert shift_arcsec(there, timedelta(0)) == pytest.approx(6.7, abs=0.2)
    axis = axis_off(1.0)
    length = np.linalg.norm(measured_error_arcsec(axis, there, timedelta(0)))
    assert length == pytest.approx(np.linalg.norm(error_arcsec(TRUE_PLACE, axis)), abs=0.3)


def test_ten_kilometres_north_change_the_refraction_only():
    there = replace(TRUE_PLACE, latitude_deg=TRUE_PLACE.latitude_deg + 0.0902)
    assert shift_arcsec(there, timedelta(0)) < 0.4


@pytest.mark.parametrize("degrees", [0.1, 1.0])
def test_instants_that_are_uncertain_frame_by_frame_scale_with_how_far_the_axis_is_off(degrees):
    """Each frame may turn freely about the axis: what is left is the pole's turn beside it.

    Half a second is 7.5 arcsec about the pole, 0.13 arcsec across an axis that is 1 deg off.
    Frames 60 deg apart take an error of either into the axis by 1 / (2 sin 30 deg): 2 of both.
    """
    rng = np.random.default_rng(4)
    shifts = [
        shift_arcsec(
            TRUE_PLACE, *(timedelta(seconds=late) for late in rng.normal(size=3) * 0.5),
            degrees=degrees,
        )
        for _ in range(20)
    ]  # fmt: skip
    assert np.sqrt(np.mean(np.square(shifts))) < 2.0 * 7.5 * np.radians(degrees)


def test_a_latitude_one_degree_wrong_leaves_refraction_only():
    """The docs say: under 5 arcsec at this place."""
    north = replace(TRUE_PLACE, latitude_deg=TRUE_PLACE.latitude_deg + 1.0)
    assert 0.5 < shift_arcsec(north, timedelta(0)) < 5.0
