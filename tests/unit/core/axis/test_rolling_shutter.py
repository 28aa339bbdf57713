"""A sensor that reads row by row sees an untracked sky sheared; the axis does not mind.

Every frame is turned by the same small angle in the camera's own frame, which the comparison of
frames takes out (R_i D (R_j D)^T = R_i R_j^T); the figures are those that the docs name.
"""

from datetime import timedelta

import numpy as np
import pytest

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import solve_axis
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about, vector_from_rotation
from polewright.core.geometry.wahba import fit_rotation
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from tests.unit.core.axis.skies import INSTANT, first_attitude

PLACE = Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0)
POLE = pole_enu(PLACE, refracted=False)
HALF_HEIGHT_RAD = np.radians(1.0)
READOUT_S = 0.2
AXIS_OFF_RAD = np.radians(0.5)
# The south celestial pole is the sky's axis here; seen from inside it turns the other way.
SKY_RAD_S = 15.041 * ARCSEC_RAD
STARS_IN_CAMERA = np.random.default_rng(8).uniform(-1.0, 1.0, size=(200, 2)) * HALF_HEIGHT_RAD


def taken(camera: np.ndarray, readout_s: float) -> np.ndarray:
    """Return the attitude that an untracked frame shows, its rows read one after the other."""
    y, z = STARS_IN_CAMERA.T
    pixels = np.column_stack([np.ones(len(y)), y, z])
    pixels /= np.linalg.norm(pixels, axis=1)[:, None]
    late_s = 0.5 * readout_s * z / HALF_HEIGHT_RAD
    # Where these stars stood at mid-frame: the sky has carried them on since, or not yet.
    at_the_middle = np.array(
        [
            rotation_about(POLE, -SKY_RAD_S * late) @ (camera @ pixel)
            for late, pixel in zip(late_s, pixels, strict=True)
        ]
    )
    return fit_rotation(pixels, at_the_middle, np.full(len(y), ARCSEC_RAD))[0].T


def survey(readout_s: float) -> tuple[float, float]:
    """Return how far the measured axis is off the true one, and the largest turn of a frame."""
    axis = rotation_about([1.0, 0.0, 0.0], AXIS_OFF_RAD) @ POLE
    start = first_attitude(axis, 45.0)
    frames, turned = [], []
    for index, turn_deg in enumerate((0.0, 25.0, 50.0)):
        camera = rotation_about(axis, np.radians(turn_deg)) @ start
        seen = taken(camera, readout_s)
        turned.append(float(np.linalg.norm(vector_from_rotation(camera.T @ seen))))
        frames.append(
            ObservedAttitude(
                enu_from_camera=seen,
                covariance_camera_rad2=np.diag([20.0, 0.5, 0.5]) ** 2 * ARCSEC_RAD**2,
                instant=INSTANT + timedelta(seconds=20 * index),
            )
        )
    return angle_between(axis, solve_axis(frames).axis_enu), max(turned)


def test_the_rows_shear_an_untracked_frame_by_what_the_readout_says() -> None:
    """By hand: 15.04 arcsec/s x cos(45 deg) x 0.2 s over 2 deg, half of which is a turn.

    That is 30 arcsec where stars move along the rows, less where they move across them.
    """
    _, turned_rad = survey(READOUT_S)
    sheared_rad = SKY_RAD_S * np.cos(np.radians(45.0)) * READOUT_S / (2 * HALF_HEIGHT_RAD)
    assert 0.2 * sheared_rad < turned_rad < sheared_rad
    assert survey(0.0)[1] < 1e-9


@pytest.mark.parametrize("readout_s", [0.02, READOUT_S, 2.0])
def test_the_axis_stays_but_for_second_order(readout_s: float) -> None:
    """What is left is the turn of a frame times how far the axis is off, 0.5 deg."""
    off_rad, turned_rad = survey(readout_s)
    assert off_rad < turned_rad * AXIS_OFF_RAD
