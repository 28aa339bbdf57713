"""Phases: how a partly lit globe looks, to know what a phase does to the measure of its limb."""

import math
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.imaging.binning import Image

Array = NDArray[np.float64]

_MARGIN_PX = 8.0


class Surface(StrEnum):
    """How a surface scatters light."""

    DUST = "dust"
    """Lommel and Seeliger's law: the Moon, Mercury."""
    CLOUDS = "clouds"
    """Lambert's law: Venus and the other planets with clouds."""


def lit_globe(
    shape: tuple[int, int],
    circle: tuple[float, float, float],
    *,
    phase_angle_rad: float,
    toward_light_rad: float,
    surface: Surface,
    blur_px: float,
) -> Image:
    """Return the picture of a globe without noise, 0 to 1.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns.
    circle : (float, float, float)
        Centre (column, row) and radius (px).
    toward_light_rad : float
        Direction of the bright limb, from column toward row (rad).
    blur_px : float
        Standard deviation of the picture's blur (px).
    """
    centre_x, centre_y, radius = circle
    fine = 4 if radius < 60.0 else 3 if radius < 200.0 else 2
    reach = radius + 4.0 * blur_px + _MARGIN_PX
    first_row, last_row = _span(centre_y, reach, shape[0])
    first_column, last_column = _span(centre_x, reach, shape[1])
    picture = np.zeros(shape, dtype=np.float32)
    if last_row <= first_row or last_column <= first_column:
        return picture
    rows = _fine(first_row, last_row, fine)
    columns = _fine(first_column, last_column, fine)
    across = ((columns - centre_x) / radius)[None, :]
    down = ((rows - centre_y) / radius)[:, None]
    height = np.sqrt(np.clip(1.0 - across**2 - down**2, 0.0, None))
    along = across * math.cos(toward_light_rad) + down * math.sin(toward_light_rad)
    sunward = np.clip(
        along * math.sin(phase_angle_rad) + height * math.cos(phase_angle_rad), 0.0, None
    )
    if surface is Surface.DUST:
        sunward = 2.0 * sunward / np.maximum(sunward + height, 1e-9)
    light = np.where(height > 0.0, sunward, 0.0)
    coarse = light.reshape(last_row - first_row, fine, last_column - first_column, fine)
    # The pixel's own width is part of the blur that was measured.
    own = math.sqrt(max(blur_px**2 - 1.0 / 12.0, 0.01))
    picture[first_row:last_row, first_column:last_column] = _blurred(coarse.mean(axis=(1, 3)), own)
    return picture


def photocentre_shift(phase_angle_rad: float, surface: Surface) -> float:
    """Return how far the light's middle lies from a globe's centre toward the Sun (radii)."""
    picture = lit_globe(
        (256, 256),
        (127.5, 127.5, 100.0),
        phase_angle_rad=phase_angle_rad,
        toward_light_rad=0.0,
        surface=surface,
        blur_px=0.5,
    )
    total = float(picture.sum())
    if total <= 0.0:
        return 1.0
    return float((picture.sum(axis=0) @ (np.arange(256) - 127.5)) / total / 100.0)


def _span(centre: float, reach: float, size: int) -> tuple[int, int]:
    return max(0, math.floor(centre - reach)), min(size, math.ceil(centre + reach) + 1)


def _fine(first: int, last: int, fine: int) -> Array:
    count = (last - first) * fine
    return first - 0.5 + (np.arange(count) + 0.5) / fine


def _blurred(picture: Array, sigma_px: float) -> Array:
    reach = max(1, math.ceil(4.0 * sigma_px))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    kernel /= kernel.sum()
    for axis in (0, 1):
        padded = np.pad(picture, [(reach, reach) if a == axis else (0, 0) for a in (0, 1)])
        windows = np.lib.stride_tricks.sliding_window_view(padded, kernel.size, axis=axis)
        picture = windows @ kernel
    return picture
