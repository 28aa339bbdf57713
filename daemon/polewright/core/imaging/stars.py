"""Star lists: what a frame shows, before anyone knows which stars they are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_TRAILED_ELONGATION = 1.8  # optics and seeing stay below


def is_trailed(elongation: float) -> bool:
    """Return whether stars so many times longer than wide moved while the shutter was open."""
    return elongation > _TRAILED_ELONGATION


def trail_words(elongation: float) -> str:
    """Return what is said of a frame whose stars are trails; empty where they are none."""
    if not is_trailed(elongation):
        return ""
    return f"trailed, stars {elongation:.1f} times longer than wide"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarList:
    """Stars found in one frame, brightest first.

    Attributes
    ----------
    x_px, y_px : ndarray of shape (n,)
        Column and row of each centre; a pixel's centre has whole numbers, (0, 0) is the
        centre of ``pixels[0, 0]`` (px).
    flux : ndarray of shape (n,)
        Background-subtracted sum (ADU).
    sigma_px : ndarray of shape (n,)
        Standard deviation of the centre, per axis (px).
    fwhm_px : float
        Median full width at half maximum (px); nan where no star was found.
    saturated_fraction : float
        Fraction of the stars with saturated pixels.
    background_adu, noise_adu : float
        Sky level and its standard deviation per pixel (ADU).
    width_px, height_px : int
        Size of the frame.
    elongation : float
        How many times longer than wide the brighter objects are (median), or the pieces into
        which faint trails break up together; nan without stars.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    flux: NDArray[np.float64]
    sigma_px: NDArray[np.float64]
    fwhm_px: float
    saturated_fraction: float
    background_adu: float
    noise_adu: float
    width_px: int
    height_px: int
    elongation: float = float("nan")

    def __len__(self) -> int:
        """Return the number of stars."""
        return int(self.x_px.size)
