"""A body's centre in a picture, as a disc or as a point, whichever it is at this scale.

Exposures for it: what is bright must not be full.
"""

import math
from dataclasses import dataclass

import numpy as np

from polewright.core.imaging.bright_points import find_bright_point
from polewright.core.imaging.discs import SMALLEST_RADIUS_PX, find_disc
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.phases import Surface

# The brightest pixels but for a few hot ones tell how full the picture is.
_BRIGHTEST = 30
_FULL_WITHOUT_WORD = 65535.0
# Between these parts of full the limb is clear and nothing is lost; wished for: the middle.
LEAST_FULL = 0.2
MOST_FULL = 0.85
_WISHED_FULL = 0.5
# So much at once: sky and camera are not linear over more.
_LARGEST_STEP = 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyCentre:
    """Centre of a body in a picture (column, row; px), and its sigma along the worst direction."""

    x_px: float
    y_px: float
    sigma_px: float
    radius_px: float | None


def find_body(
    frame: Frame,
    *,
    radius_px: float | None,
    phase_angle_rad: float = 0.0,
    surface: Surface = Surface.DUST,
) -> BodyCentre:
    """Return where a body's centre is.

    Parameters
    ----------
    radius_px : float, optional
        Its radius by computation (px); left out where the scale is not known: a disc is looked for.

    Raises
    ------
    MeasurementError
        As :func:`find_disc` and :func:`find_bright_point`.
    """
    if radius_px is None or radius_px >= SMALLEST_RADIUS_PX:
        disc = find_disc(
            frame, radius_px=radius_px, phase_angle_rad=phase_angle_rad, surface=surface
        )
        return BodyCentre(
            x_px=disc.x_px, y_px=disc.y_px, sigma_px=disc.sigma_px, radius_px=disc.radius_px
        )
    point = find_bright_point(
        frame, radius_px=radius_px, phase_angle_rad=phase_angle_rad, surface=surface
    )
    return BodyCentre(x_px=point.x_px, y_px=point.y_px, sigma_px=point.sigma_px, radius_px=None)


def fullness(frame: Frame) -> float:
    """Return how full the brightest pixels are, 0 to 1."""
    pixels = np.asarray(frame.pixels).ravel()
    brightest = float(np.partition(pixels, pixels.size - _BRIGHTEST)[pixels.size - _BRIGHTEST])
    return min(max(brightest / (frame.saturation or _FULL_WITHOUT_WORD), 0.0), 1.0)


def next_exposure_s(exposure_s: float, full: float) -> float:
    """Return an exposure (s) that fills the brightest pixels by about half."""
    if full > MOST_FULL:  # nobody knows by how much it is too bright
        return exposure_s / _LARGEST_STEP if full >= 1.0 else exposure_s * _WISHED_FULL / full / 2.0
    factor = _WISHED_FULL / max(full, 1e-6)
    return exposure_s * min(max(factor, 1.0 / _LARGEST_STEP), _LARGEST_STEP)


def serves(full: float) -> bool:
    """Return whether the brightest pixels are full enough, and not too full."""
    return LEAST_FULL <= full <= MOST_FULL


def radius_in_px(angular_radius_rad: float, scale_rad_px: float) -> float:
    """Return a body's radius in a picture (px)."""
    return math.tan(angular_radius_rad) / scale_rad_px
