"""The axis from the pictures of a tracked time-lapse: tracking itself is the sweep."""

import numpy as np
import pytest

from polewright.core.axis.survey import solve_axis_robustly
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about
from tests.unit.core.axis.skies import axis_at, first_attitude, observe

SIDEREAL_DEG_MIN = 360.0 / 1436.0682


@pytest.mark.parametrize("declination_deg", [70.0, 30.0, 0.0])
@pytest.mark.parametrize(("minutes", "promised_arcsec"), [(30, 200.0), (60, 75.0), (120, 35.0)])
def test_the_axis_shows_in_pictures_of_one_target(
    minutes: int, promised_arcsec: float, declination_deg: float
) -> None:
    """A picture every 5 minutes; each claim is held by 30 time-lapses (their rms to 13 %)."""
    rng = np.random.default_rng(4)
    axis = axis_at(32.5, 180.0)
    start = first_attitude(axis, declination_deg)
    squares, sigmas = [], []
    for _ in range(30):
        frames = [
            observe(
                rng,
                rotation_about(axis, np.radians(SIDEREAL_DEG_MIN * minute)) @ start,
                centre_arcsec=3.4,
                label=str(minute),
            )
            for minute in range(0, minutes + 1, 5)
        ]
        estimate = solve_axis_robustly(frames)
        squares.append(angle_between(estimate.axis_enu, axis) ** 2)
        sigmas.append(estimate.sigma_rad)
    rms, sigma = (float(x) / ARCSEC_RAD for x in (np.sqrt(np.mean(squares)), np.mean(sigmas)))
    assert rms < promised_arcsec
    assert 0.5 < rms / sigma < 1.4
