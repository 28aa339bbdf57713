"""Bright points: Venus or Jupiter in a bright sky, too small for a fit to a limb.

One point must stand out from all else: the sky of the day holds no second one, a field of stars
holds many.  The light's middle is not the globe's where a phase shows.
"""

import math
from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

from polewright.core.errors import MeasurementError
from polewright.core.geometry.arrays import settled
from polewright.core.imaging.binning import Image, binned
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.phases import Surface, photocentre_shift

Array = NDArray[np.float64]

# How much brighter than the next it must be, and how many may reach a part of it at all.
_STANDS_OUT = 4.0
_RIVAL_PART = 0.03
_MOST_RIVALS = 2
_LEAST_SIGNAL = 15.0
_DETECTION_SIGMA = 3.0
_LEAST_PIXELS = 4
_LARGEST_ELONGATION = 1.8
_WIDEST_PX = 6.0
_SHARPEST_PX = 0.4
_HOT_SHARE = 0.7
# Pixels are no points, and no sky is flat.
_FLOOR_PX = 0.02
# A photocentre by two laws of scattering differs by about this part of its shift.
_LAW_UNKNOWN = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BrightPoint:
    """One bright point.

    Attributes
    ----------
    x_px, y_px : float
        Centre of the globe (column, row): of the light, less what the phase moves it.
    covariance_px2 : ndarray of shape (2, 2)
        Of the centre (px^2).
    signal : float
        Flux in sigmas of the sky under it.
    fwhm_px : float
        Its width (px).
    """

    x_px: float
    y_px: float
    covariance_px2: Array
    signal: float
    fwhm_px: float

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "covariance_px2", settled(self.covariance_px2))

    @property
    def sigma_px(self) -> float:
        """Standard deviation of the centre along its worst direction (px)."""
        return math.sqrt(float(np.linalg.eigvalsh(self.covariance_px2)[-1]))


def find_bright_point(
    frame: Frame,
    *,
    radius_px: float = 0.0,
    phase_angle_rad: float = 0.0,
    surface: Surface = Surface.CLOUDS,
    toward_light_rad: float | None = None,
) -> BrightPoint:
    """Return the one bright point of a frame.

    Parameters
    ----------
    radius_px : float
        Radius of the body's disc by computation (px).
    phase_angle_rad : float
        Angle Sun - body - place.
    surface : Surface
        How the body scatters light.
    toward_light_rad : float, optional
        Direction of the bright limb in the picture, from column toward row (rad).  Left out: what
        the phase moves goes into the covariance.

    Raises
    ------
    MeasurementError
        ``no_point``: nothing stands out; ``several_points``: more than one does.
    """
    scale = 2 if frame.bayer_pattern else 1
    picture = binned(frame.pixels, scale) if scale > 1 else frame.pixels.astype(np.float32)
    found, flat, noise = _objects(picture, radius_px / scale)
    if found.size == 0:
        raise _none("nothing stands out of the sky")
    flux = found["flux"]
    rivals = int((flux[1:] > _RIVAL_PART * flux[0]).sum())
    if rivals > _MOST_RIVALS or (flux.size > 1 and flux[0] < _STANDS_OUT * flux[1]):
        raise MeasurementError(
            "several points are about as bright as each other",
            remedy="By day: focus, and wait for clouds to pass. By night: make a star survey.",
            code="several_points",
        )
    best = found[0]
    long, short = float(best["a"]), float(best["b"])
    spread = max(math.sqrt(long * short), 0.3)
    if spread < _SHARPEST_PX or _single(flat, float(best["x"]), float(best["y"])):
        raise _none("what stands out of the sky is a hot pixel")
    if long > _LARGEST_ELONGATION * short or spread > max(_WIDEST_PX, 1.5 * radius_px / scale):
        raise _none("what stands out of the sky is no point")
    signal = float(best["flux"]) / (noise * math.sqrt(4.0 * math.pi) * spread)
    if signal < _LEAST_SIGNAL:
        raise _none("what stands out of the sky is too faint to be sure of")
    # A window of the light's own width: little is lost to noise, nothing to far neighbours.
    wide = min(max(spread, 1.0), 8.0)
    x, y, _ = sep.winpos(flat, best["x"], best["y"], wide)
    sky_part = math.sqrt(8.0 * math.pi) * wide**2 * noise / float(best["flux"])
    gain = frame.electrons_per_adu
    photon_part = wide / math.sqrt(float(best["flux"]) * gain) if gain else 0.0
    sigma = math.hypot(sky_part, photon_part, _FLOOR_PX) * scale
    x, y = (float(place) * scale + 0.5 * (scale - 1) for place in (x, y))
    shift = photocentre_shift(phase_angle_rad, surface) * radius_px
    covariance = np.eye(2) * sigma**2
    if toward_light_rad is None:
        covariance += np.eye(2) * 0.5 * shift**2
    else:
        toward = np.array([math.cos(toward_light_rad), math.sin(toward_light_rad)])
        x, y = x - shift * toward[0], y - shift * toward[1]
        covariance += np.outer(toward, toward) * (_LAW_UNKNOWN * shift) ** 2
    return BrightPoint(
        x_px=x, y_px=y, covariance_px2=covariance, signal=signal, fwhm_px=2.355 * spread * scale
    )


def _objects(picture: Image, radius: float) -> tuple[NDArray[np.void], Image, float]:
    """Return sep's objects, brightest first, the picture without its sky, and its noise."""
    box = int(min(max(32, 8 * radius), *picture.shape))
    # The sky below a bright thing is taken from around it: a second look leaves the first's out.
    sky = sep.Background(picture, bw=box, bh=box)
    mask = np.abs(picture - sky.back()) > 5.0 * max(sky.globalrms, 1e-6)
    sky = sep.Background(picture, mask=mask, bw=box, bh=box)
    flat = np.asarray(picture - sky.back(), dtype=np.float32)
    noise = max(float(sky.globalrms), 0.3)
    try:
        found = np.asarray(
            sep.extract(flat, _DETECTION_SIGMA, err=noise, minarea=_LEAST_PIXELS, deblend_cont=1.0)
        )
    except Exception as error:  # sep raises plain Exception where its buffers are full
        raise _none("it is full of structure") from error
    return found[np.argsort(found["flux"])[::-1]], flat, noise


def _single(flat: Image, x: float, y: float) -> bool:
    """Return whether one pixel holds most of the light about a place."""
    row, column = round(y), round(x)
    near = flat[max(0, row - 2) : row + 3, max(0, column - 2) : column + 3]
    return bool(near.max() > _HOT_SHARE * max(float(near.sum()), 1e-9))


def _none(why: str) -> MeasurementError:
    return MeasurementError(
        f"no bright point is in the picture: {why}",
        remedy="Focus, point nearer to it, and choose an exposure that leaves the sky half full.",
        code="no_point",
    )
