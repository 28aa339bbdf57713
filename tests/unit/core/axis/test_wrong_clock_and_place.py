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
    true_axis: np.ndarray, believed: Place, clock_error: timedelta
) -> np.ndarray:
    """Survey a known axis while believing in a wrong clock and place."""
    start = first_attitude(true_axis, 55.0)
    attitudes = []
    for index, turn_deg in enumerate((0.0, 30.0, 60.0)):
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


def axis_one_degree_off() -> np.ndarray:
    pole = pole_enu(TRUE_PLACE, refracted=True)
    east, up = sky_tangents(pole)
    axis = rotation_about(np.cross(pole, 0.6 * east + 0.8 * up), np.radians(1.0)) @ pole
    assert angle_between(axis, pole) == pytest.approx(np.radians(1.0))
    return axis


def shift_arcsec(believed: Place, clock_error: timedelta) -> float:
    axis = axis_one_degree_off()
    return float(
        np.linalg.norm(
            measured_error_arcsec(axis, believed, clock_error) - error_arcsec(TRUE_PLACE, axis)
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


def test_a_latitude_one_degree_wrong_leaves_refraction_only():
    """The docs say: under 5 arcsec at this place."""
    north = replace(TRUE_PLACE, latitude_deg=TRUE_PLACE.latitude_deg + 1.0)
    assert 0.5 < shift_arcsec(north, timedelta(0)) < 5.0
