"""Finding stars: their centres to a small part of a pixel, each with an honest sigma.

Detection runs on a picture binned 2 x 2 or more, which is faster and reaches fainter;
measurement (:mod:`polewright.core.imaging.centring`) runs on the full picture.
"""

import logging
import math

import numpy as np
import sep
from numpy.typing import NDArray

from polewright.core.imaging.binning import Image, binned
from polewright.core.imaging.centring import (
    LARGEST_WINDOW_PX,
    STAR_QUANTILE,
    SURE_SIGNAL_TO_NOISE,
    Field,
    brighter,
)
from polewright.core.imaging.frame import Frame, Pixels
from polewright.core.imaging.stars import StarList

LOG = logging.getLogger(__name__)

Array = NDArray[np.float64]

DEFAULT_LIMIT = 300
"""Most stars returned: more do not improve an attitude that a floor of residuals limits."""

_DETECTION_SIGMA = 4.0
# A frame's floating-point picture and its background; and what is asked for whatever its size.
_ROOM_BYTES_PER_PIXEL = 8
_LEAST_ROOM_BYTES = 4_000_000
_FILTER = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], dtype=np.float32)
# Normalised by its sum (sep does), the filter leaves this part of white noise.
_FILTER_GAIN = float(np.sqrt(np.square(_FILTER).sum()) / _FILTER.sum())
_WIDE_WINDOW = 1.2  # binned px; wider stars are found better through the filter
_FEW_OBJECTS = 12  # then another look is worth its 4 ms
_FIRST_WINDOW_PX = 1.2
_DETECTION_PIXELS = 1_600_000  # larger pictures are binned more, so that time stays bounded
_BACKGROUND_BOX_PX = 32
_SIGMA_PER_FWHM = 1.0 / 2.3548
_ALIGNED_STARS = 80  # bounds the time to 0.4 ms
# Neighbours within so many px, the fewest of them, and the least mean of their doubled direction
# (0 random, 1 parallel); so few random ones reach it in 1 to 5 % of pictures that have so many.
_ALIGNMENTS = ((60.0, 8, 0.6), (20.0, 6, 0.85))


def find_stars(frame: Frame, *, limit: int = DEFAULT_LIMIT) -> StarList:
    """Return the stars of a frame, brightest first; none is an answer, not an error.

    Parameters
    ----------
    frame : Frame
        A mosaic (``bayer_pattern``) is binned 2 x 2 first; places are of the full frame.
    limit : int, optional
        Most stars returned.

    Raises
    ------
    MemoryError
        There is no room for the work.

    Notes
    -----
    Without ``electrons_per_adu`` the photon noise of the stars themselves is unknown, and the
    sigma of bright stars is a lower limit; the attitude fit adds what its residuals show.
    """
    _require_room(frame.pixels)
    measured_bin = 2 if frame.bayer_pattern else 1
    picture = frame.pixels if measured_bin == 1 else binned(frame.pixels, measured_bin)
    step = _detection_bin(picture.size)
    small = binned(picture, step)
    area = float(step**2)
    if float(np.ptp(small)) == 0.0:
        return _nothing(frame, float(small.flat[0]) / (area * measured_bin**2), 0.0)
    box = min(_BACKGROUND_BOX_PX, *small.shape)
    background = sep.Background(small, bw=box, bh=box)
    least = step * measured_bin * _quantisation_noise(frame.pixels)
    sky = background.back()
    noise = np.maximum(background.rms(), max(0.2 * background.globalrms, least))
    level = float(background.globalback) / (area * measured_bin**2)
    usual_noise = max(float(background.globalrms), least) / step
    found, window = _detect((small - sky) / noise, step, 3 * limit)
    if found.size == 0:
        return _nothing(frame, level, usual_noise / measured_bin)
    row = np.clip(np.rint(found["y"]).astype(int), 0, small.shape[0] - 1)
    column = np.clip(np.rint(found["x"]).astype(int), 0, small.shape[1] - 1)
    field = Field(
        picture=picture,
        sky=np.asarray(sky[row, column] / area, dtype=np.float64),
        noise=np.asarray(noise[row, column] / step, dtype=np.float64),
        electrons_per_adu=frame.electrons_per_adu,
        full=_full(frame.saturation, measured_bin),
    )
    # The centre of a bin of s pixels that starts at pixel s*i lies at s*i + (s-1)/2.
    measured = field.measure(
        found["x"] * step + 0.5 * (step - 1), found["y"] * step + 0.5 * (step - 1), window
    )
    good = np.flatnonzero(measured.good)
    order = good[np.argsort(measured.flux[good])[::-1][:limit]]
    scale = float(measured_bin)
    return StarList(
        x_px=measured.x[order] * scale + 0.5 * (scale - 1.0),
        y_px=measured.y[order] * scale + 0.5 * (scale - 1.0),
        flux=measured.flux[order],
        sigma_px=measured.sigma[order] * scale,
        fwhm_px=measured.width * scale / _SIGMA_PER_FWHM if order.size else float("nan"),
        saturated_fraction=float(measured.saturated[order].mean()) if order.size else 0.0,
        background_adu=level,
        noise_adu=usual_noise / measured_bin,
        width_px=frame.width_px,
        height_px=frame.height_px,
        elongation=max(
            # Of what is a star: hot pixels are round, bright, and may be most of what is found.
            _elongation(found[order] if order.size else found),
            _alignment(measured.x[order], measured.y[order], measured.width / _SIGMA_PER_FWHM),
        ),
    )


def _require_room(pixels: Pixels) -> None:
    """Raise MemoryError where there is no room for the work on a frame.

    The library that finds sources does not look whether it was given the memory that it asked
    for, and takes the whole process down (sep 1.4, address space short by a megabyte).
    """
    np.empty(max(_ROOM_BYTES_PER_PIXEL * pixels.size, _LEAST_ROOM_BYTES), dtype=np.uint8)


def _quantisation_noise(pixels: Pixels) -> float:
    """Return the least noise that whole numbers have (pixel units): one over root twelve."""
    return 1.0 / math.sqrt(12.0) if pixels.dtype.kind == "u" else 0.0


def _full(saturation: float | None, measured_bin: int) -> float | None:
    """Return the value from which a (binned) pixel counts as full."""
    if saturation is None:
        return None
    # One full pixel of the four of a mosaic's bin spoils it; two are usual for a star.
    return 0.98 * saturation if measured_bin == 1 else 0.7 * saturation * measured_bin**2


def _nothing(frame: Frame, level: float, noise: float) -> StarList:
    none = np.zeros(0)
    return StarList(
        x_px=none,
        y_px=none,
        flux=none,
        sigma_px=none,
        fwhm_px=float("nan"),
        saturated_fraction=0.0,
        background_adu=level,
        noise_adu=noise,
        width_px=frame.width_px,
        height_px=frame.height_px,
    )


def _detection_bin(size: int) -> int:
    """Return the binning for detection: 2, or more for pictures that would take too long."""
    step = 2
    while size / step**2 > _DETECTION_PIXELS:
        step += 1
    return step


def _detect(picture: Image, step: int, most: int) -> tuple[NDArray[np.void], float]:
    """Return sep's objects, most significant first, and a window for them (px, full picture).

    Parameters
    ----------
    picture : ndarray
        Binned, without background, in units of the noise.
    step : int
        Binning.
    most : int
        Most objects returned.
    """
    found = _extract(picture, _DETECTION_SIGMA, None)
    window = _first_window(found, step)
    if window > _WIDE_WINDOW * step or found.size < _FEW_OBJECTS:
        filtered = _extract(picture, _DETECTION_SIGMA * _FILTER_GAIN, _FILTER)
        if filtered.size > found.size:
            found, window = filtered, _first_window(filtered, step)
    return found[np.argsort(found["flux"])[::-1][:most]], window


def _extract(picture: Image, threshold: float, kernel: Image | None) -> NDArray[np.void]:
    """Run sep; where a crowded picture fills its buffers, ask for fewer objects.

    sep 1.4.1 never gives 8 bytes an object back: some 0.4 kB of an ordinary frame.
    """
    for raised in (1.0, 10.0, 100.0):
        try:
            found = sep.extract(
                picture,
                threshold * raised,
                minarea=1 if kernel is None else 3,
                filter_kernel=kernel,
                deblend_cont=0.005 if raised == 1.0 else 1.0,
            )
        except Exception as error:  # sep raises plain Exception
            LOG.debug("star detection: %s", error)
        else:
            return np.asarray(found)
    return np.zeros(0, dtype=[("x", float), ("y", float), ("flux", float)])


def _elongation(found: NDArray[np.void]) -> float:
    """Return how many times longer than wide the brighter objects are."""
    bright = brighter(found["flux"], SURE_SIGNAL_TO_NOISE)
    return float(np.median(found["a"][bright] / np.maximum(found["b"][bright], 1e-3)))


def _alignment(x_px: Array, y_px: Array, fwhm_px: float) -> float:
    """Return how many widths long trails are that show as rows of objects, 1 where none do.

    Neighbours of random stars lie in any direction, pieces of trails all in one.
    """
    x_px, y_px = x_px[:_ALIGNED_STARS], y_px[:_ALIGNED_STARS]
    one, other = np.triu_indices(x_px.size, k=1)
    across, down = x_px[one] - x_px[other], y_px[one] - y_px[other]
    distance = np.hypot(across, down)
    for reach_px, fewest, least_alignment in _ALIGNMENTS:
        near = distance < reach_px
        if int(near.sum()) < fewest:
            continue
        doubled = np.exp(2j * np.arctan2(down[near], across[near]))
        if abs(doubled.mean()) > least_alignment:
            return float(1.0 + np.median(distance[near]) / max(fwhm_px, 1.0))
    return 1.0


def _first_window(found: NDArray[np.void], step: int) -> float:
    """Return a starting window from the isophotal sizes of the brighter objects (px)."""
    if found.size == 0:
        return _FIRST_WINDOW_PX
    bright = brighter(found["flux"], SURE_SIGNAL_TO_NOISE)
    sizes = np.sqrt(found["a"][bright] * found["b"][bright]) * step
    return float(np.clip(np.quantile(sizes, STAR_QUANTILE), _FIRST_WINDOW_PX, LARGEST_WINDOW_PX))
