"""The axes of a picture learned from a body's own moves in it."""

import math

import numpy as np
import pytest

from polewright.core.axis.picture_axes import PictureAxes, Placed
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD

SCALE = 6.45 * ARCSEC_RAD


def placed(pixels_of: np.ndarray, *moves: tuple[float, float], noise: float = 0.0) -> list[Placed]:
    """What is seen of a body that stands so far west and north of where the mount points."""
    rng = np.random.default_rng(3)
    found = []
    for west, north in moves:
        x, y = pixels_of @ np.array([west, north]) + rng.normal(size=2) * noise
        found.append(Placed(x_px=640.0 + x, y_px=480.0 + y, west_rad=west, north_rad=north))
    return found


MOVES = ((0.0, 0.0), (200 * SCALE, 0.0), (0.0, 150 * SCALE))


@pytest.mark.parametrize("roll_deg", [0.0, 37.0, 181.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_scale_roll_and_mirror_are_learned(roll_deg: float, mirrored: bool) -> None:
    cos, sin = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    pixels_of = np.array([[cos, -sin], [sin, cos]]) / SCALE
    if mirrored:
        pixels_of = pixels_of @ np.diag([-1.0, 1.0])
    axes = PictureAxes.learned(placed(pixels_of, *MOVES, noise=0.2), SCALE)
    assert axes.scale_rad_px == pytest.approx(SCALE, rel=0.005)
    step = pixels_of @ np.array([60 * SCALE, -25 * SCALE])
    assert axes.offset_rad(*step) == pytest.approx((60 * SCALE, -25 * SCALE), abs=0.3 * SCALE)
    assert axes.turned_over().offset_rad(*step) == pytest.approx(
        (-60 * SCALE, 25 * SCALE), abs=0.3 * SCALE
    )


def test_a_mount_that_does_not_move_as_it_says_is_refused() -> None:
    lazy = placed(np.eye(2) / SCALE, *MOVES)
    lazy[2] = Placed(x_px=640.0, y_px=480.0 + 90.0, west_rad=0.0, north_rad=150 * SCALE)
    with pytest.raises(MeasurementError) as caught:
        PictureAxes.learned(lazy)
    assert caught.value.code == "moved_otherwise"
    with pytest.raises(MeasurementError) as caught:
        PictureAxes.learned(placed(np.eye(2) / SCALE, *MOVES)[:2])
    assert caught.value.code == "moved_otherwise"


def test_another_scale_than_the_settings_say_is_told() -> None:
    with pytest.raises(MeasurementError) as caught:
        PictureAxes.learned(placed(np.eye(2) / SCALE, *MOVES), 1.5 * SCALE)
    assert caught.value.code == "scale_otherwise"
    assert "6.45" in caught.value.text
