"""Finding stars: their centres to a small part of a pixel, each with an honest sigma.

Detection runs on a picture binned 2 x 2 or more, which is faster and reaches fainter;
measurement runs on the full picture: a Gaussian-windowed centre (the XWIN_IMAGE of
SExtractor, Bertin & Arnouts 1996) whose noise is propagated pixel by pixel.
"""

import math
from dataclasses import dataclass

import numpy as np
import sep
from numpy.typing import NDArray

from polewright.core.imaging.frame import Frame, Pixels
from polewright.core.imaging.stars import StarList

Array = NDArray[np.float64]
Image = NDArray[np.float32]

DEFAULT_LIMIT = 300
"""Most stars returned: more do not improve an attitude that a floor of residuals limits."""

_DETECTION_SIGMA = 4.0  # after the 3 x 3 matched filter of the binned picture
_DETECTION_PIXELS = 1_600_000  # larger pictures are binned more, so that time stays bounded
_BACKGROUND_BOX_PX = 32
_SMALLEST_WINDOW_PX = 0.85  # narrower, pixels are too coarse for the window
_LARGEST_WINDOW_PX = 12.0
_CENTRE_ROUNDS = 12
_CENTRE_SETTLED_PX = 1e-4
_LARGEST_WANDER_PX = 2.5
_SIGMA_PER_FWHM = 1.0 / 2.3548
_HOT_PEAK_SHARE = 0.8  # of the flux in 3 x 3 px; a star of FWHM 1 px has 0.6 at most
_HOT_SHARE_MARGIN = 0.25  # above the share of a star of the usual width
_SATURATED_FLOOR_PX = 0.2
_FAINTEST_SIGNAL_TO_NOISE = 4.0


def find_stars(frame: Frame, *, limit: int = DEFAULT_LIMIT) -> StarList:
    """Return the stars of a frame, brightest first; none is an answer, not an error.

    Parameters
    ----------
    frame : Frame
        A mosaic (``bayer_pattern``) is binned 2 x 2 first; places are of the full frame.
    limit : int, optional
        Most stars returned.

    Notes
    -----
    Without ``electrons_per_adu`` the photon noise of the stars themselves is unknown, and the
    sigma of bright stars is a lower limit; the attitude fit adds what its residuals show.
    """
    measured_bin = 2 if frame.bayer_pattern else 1
    picture = _binned(frame.pixels, measured_bin)
    step = _detection_bin(picture.size)
    small = _binned(picture, step)
    if float(np.ptp(small)) == 0.0:
        return _nothing(frame, float(small.flat[0]) / (step * measured_bin) ** 2, 0.0)
    box = min(_BACKGROUND_BOX_PX, *small.shape)
    background = sep.Background(small, bw=box, bh=box)
    area = float(step**2)
    sky, small_noise = background.back(), float(background.globalrms)
    level = float(background.globalback) / (area * measured_bin**2)
    if not small_noise > 0.0:
        return _nothing(frame, level, 0.0)
    found = _detect(small - sky, small_noise, 3 * limit)
    if found.size == 0:
        return _nothing(frame, level, small_noise / step / measured_bin)
    # The centre of a bin of s pixels that starts at pixel s*i lies at s*i + (s-1)/2.
    x = found["x"] * step + 0.5 * (step - 1)
    y = found["y"] * step + 0.5 * (step - 1)
    stamp_sky = sky[
        np.clip(np.rint(found["y"]).astype(int), 0, small.shape[0] - 1),
        np.clip(np.rint(found["x"]).astype(int), 0, small.shape[1] - 1),
    ]
    field = _Field(
        picture=picture,
        noise=small_noise / step,
        electrons_per_adu=frame.electrons_per_adu,
        saturation=None if frame.saturation is None else frame.saturation * measured_bin**2,
        saturation_share=1.0 if measured_bin == 1 else 0.7,
    )
    measured = field.measure(x, y, stamp_sky / area, _first_window(found, step))
    order = np.argsort(measured.flux)[::-1][:limit]
    good = measured.good[order]
    order = order[good]
    scale = float(measured_bin)
    return StarList(
        x_px=measured.x[order] * scale + 0.5 * (scale - 1.0),
        y_px=measured.y[order] * scale + 0.5 * (scale - 1.0),
        flux=measured.flux[order],
        sigma_px=measured.sigma[order] * scale,
        fwhm_px=measured.window / _SIGMA_PER_FWHM * scale if order.size else float("nan"),
        saturated_fraction=float(measured.saturated[order].mean()) if order.size else 0.0,
        background_adu=level,
        noise_adu=small_noise / step / measured_bin,
        width_px=frame.width_px,
        height_px=frame.height_px,
    )


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


def _binned(pixels: Pixels, step: int) -> Image:
    """Return sums over step x step pixels; rows and columns left over are dropped."""
    if step == 1:
        return np.ascontiguousarray(pixels, dtype=np.float32)
    height, width = (side // step * step for side in pixels.shape)
    rows = pixels[0:height:step].astype(np.float32)
    for offset in range(1, step):
        rows += pixels[offset:height:step]
    total = rows[:, 0:width:step].copy()
    for offset in range(1, step):
        total += rows[:, offset:width:step]
    return total


def _detection_bin(size: int) -> int:
    """Return the binning for detection: 2, or more for pictures that would take too long."""
    step = 2
    while size / step**2 > _DETECTION_PIXELS:
        step += 1
    return step


def _detect(picture: Image, noise: float, most: int) -> NDArray[np.void]:
    """Return sep's objects, brightest first."""
    try:
        found = sep.extract(picture, _DETECTION_SIGMA * _FILTER_GAIN * noise, minarea=3)
    except Exception as error:
        # sep's own bound on crowded pictures (a wall, a forest): raise the threshold once.
        if "overflow" not in str(error) and "full" not in str(error):
            raise
        try:
            found = sep.extract(picture, 40.0 * noise, minarea=3, deblend_cont=1.0)
        except Exception:
            return np.zeros(0, dtype=[("x", float), ("y", float), ("flux", float)])
    return np.asarray(found[np.argsort(found["flux"])[::-1][:most]])


# sep's default 3 x 3 kernel, normalised, leaves this part of white noise.
_FILTER_GAIN = float(np.sqrt(36.0) / 16.0)


def _first_window(found: NDArray[np.void], step: int) -> float:
    """Return a starting window from the isophotal sizes of the brighter objects (px)."""
    sizes = np.sqrt(found["a"] * found["b"])[: max(5, found.size // 2)] * step
    return float(np.clip(np.median(sizes), 1.2, _LARGEST_WINDOW_PX))


@dataclass(slots=True)
class _Measured:
    x: Array
    y: Array
    flux: Array
    sigma: Array
    saturated: NDArray[np.bool_]
    good: NDArray[np.bool_]
    window: float


@dataclass(slots=True)
class _Moments:
    """Windowed sums over every stamp; ``norm`` is the windowed flux."""

    norm: Array
    mean_x: Array
    mean_y: Array
    square: Array


class _Field:
    """The full picture around the detected stars."""

    def __init__(
        self,
        *,
        picture: Image,
        noise: float,
        electrons_per_adu: float | None,
        saturation: float | None,
        saturation_share: float,
    ) -> None:
        self._picture = picture
        self._noise = noise
        self._electrons_per_adu = electrons_per_adu
        self._full = None if saturation is None else saturation * saturation_share

    def measure(self, x: Array, y: Array, sky: Array, window: float) -> _Measured:
        """Refine centres, then tell which are stars."""
        start_x, start_y = x, y
        x, y, stamps, origin = self._centre(start_x, start_y, sky, window, 0.5)
        for _ in range(2):
            width = self._width(stamps, origin, x, y, window)
            window = float(np.clip(width, _SMALLEST_WINDOW_PX, _LARGEST_WINDOW_PX))
            x, y, stamps, origin = self._centre(x, y, sky, window, 0.5)
        width = self._width(stamps, origin, x, y, window)
        response = window**2 / (window**2 + width**2)  # of the windowed mean to a shift
        moments, gaussian_x, gaussian_y, dx, dy = _moments(stamps, origin, x, y, window)
        flux = moments.norm / response
        sigma = self._sigma(stamps, gaussian_x, gaussian_y, dx, dy, moments.norm * response)
        weight_squares = np.square(gaussian_x).sum(axis=1) * np.square(gaussian_y).sum(axis=1)
        signal_to_noise = moments.norm / (self._noise * np.sqrt(weight_squares))
        saturated = self._saturated(stamps, sky)
        sigma = np.hypot(sigma, np.where(saturated, _SATURATED_FLOOR_PX, _phase_floor_px(width)))
        rows, columns = self._picture.shape
        good = (
            np.isfinite(sigma)
            & (signal_to_noise > _FAINTEST_SIGNAL_TO_NOISE)
            & (np.hypot(x - start_x, y - start_y) < _LARGEST_WANDER_PX + window)
            & (x > 1.0) & (x < columns - 2.0) & (y > 1.0) & (y < rows - 2.0)
            & ~_hot(stamps, origin, x, y, width, saturated)
        )  # fmt: skip
        good &= _first_of_pair(x, y, flux, good, window)
        return _Measured(x, y, flux, sigma, saturated, good, width)

    def _stamps(self, x: Array, y: Array, sky: Array, window: float) -> tuple[Array, Array]:
        reach = int(np.ceil(3.5 * window)) + 1
        offsets = np.arange(-reach, reach + 1)
        rows, columns = self._picture.shape
        middle_x, middle_y = np.rint(x).astype(int), np.rint(y).astype(int)
        at_x = middle_x[:, None] + offsets
        at_y = middle_y[:, None] + offsets
        inside = ((at_y >= 0) & (at_y < rows))[:, :, None] & ((at_x >= 0) & (at_x < columns))[
            :, None, :
        ]
        values = self._picture[
            np.clip(at_y, 0, rows - 1)[:, :, None], np.clip(at_x, 0, columns - 1)[:, None, :]
        ]
        stamps = np.where(inside, values - sky[:, None, None], 0.0)
        return stamps, np.column_stack([at_x[:, 0], at_y[:, 0]]).astype(np.float64)

    def _centre(
        self, x: Array, y: Array, sky: Array, window: float, response: float
    ) -> tuple[Array, Array, Array, Array]:
        stamps, origin = self._stamps(x, y, sky, window)
        for _ in range(_CENTRE_ROUNDS):
            moments, *_rest = _moments(stamps, origin, x, y, window)
            step_x = np.clip(moments.mean_x / response, -1.0, 1.0)
            step_y = np.clip(moments.mean_y / response, -1.0, 1.0)
            x, y = x + step_x, y + step_y
            if max(np.abs(step_x).max(), np.abs(step_y).max()) < _CENTRE_SETTLED_PX:
                break
        return x, y, stamps, origin

    def _width(self, stamps: Array, origin: Array, x: Array, y: Array, window: float) -> float:
        """Return the median Gaussian sigma of the brighter stars (px)."""
        moments, *_rest = _moments(stamps, origin, x, y, window)
        bright = np.argsort(moments.norm)[::-1][: max(7, x.size // 2)]
        square = float(np.clip(np.median(moments.square[bright]), 0.05, 0.9 * window**2))
        return float(np.sqrt(square * window**2 / (window**2 - square)))

    def _sigma(
        self,
        stamps: Array,
        gaussian_x: Array,
        gaussian_y: Array,
        dx: Array,
        dy: Array,
        slope: Array,
    ) -> Array:
        """Propagate every pixel's noise into the windowed mean; the mean of both axes."""
        variance = np.full_like(stamps, self._noise**2)
        if self._electrons_per_adu:
            variance += np.maximum(stamps, 0.0) / self._electrons_per_adu
        wx, wy = np.square(gaussian_x), np.square(gaussian_y)
        along_x = np.einsum("ny,nyx,nx->n", wy, variance, wx * dx**2)
        along_y = np.einsum("ny,nyx,nx->n", wy * dy**2, variance, wx)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.sqrt(0.5 * (along_x + along_y)) / np.maximum(slope, 0.0))

    def _saturated(self, stamps: Array, sky: Array) -> NDArray[np.bool_]:
        if self._full is None:
            return np.zeros(len(stamps), dtype=bool)
        middle = stamps.shape[1] // 2
        core = stamps[:, middle - 2 : middle + 3, middle - 2 : middle + 3]
        return np.asarray(core.max(axis=(1, 2)) + sky >= 0.98 * self._full)


def _moments(
    stamps: Array, origin: Array, x: Array, y: Array, window: float
) -> tuple[_Moments, Array, Array, Array, Array]:
    side = np.arange(stamps.shape[1])
    dx = origin[:, :1] + side - x[:, None]
    dy = origin[:, 1:] + side - y[:, None]
    gaussian_x = np.exp(-0.5 * np.square(dx / window))
    gaussian_y = np.exp(-0.5 * np.square(dy / window))
    powers_x = np.stack([gaussian_x, gaussian_x * dx, gaussian_x * dx * dx], axis=2)
    by_row = stamps @ powers_x  # (n, y, power of x)
    norm = np.einsum("ny,ny->n", gaussian_y, by_row[:, :, 0])
    safe = np.where(norm > 0.0, norm, np.inf)
    mean_x = np.einsum("ny,ny->n", gaussian_y, by_row[:, :, 1]) / safe
    mean_y = np.einsum("ny,ny->n", gaussian_y * dy, by_row[:, :, 0]) / safe
    square_x = np.einsum("ny,ny->n", gaussian_y, by_row[:, :, 2]) / safe
    square_y = np.einsum("ny,ny->n", gaussian_y * dy * dy, by_row[:, :, 0]) / safe
    return (
        _Moments(norm, mean_x, mean_y, 0.5 * (square_x + square_y)),
        gaussian_x,
        gaussian_y,
        dx,
        dy,
    )


def _hot(
    stamps: Array, origin: Array, x: Array, y: Array, width: float, saturated: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return which stamps hold one bright pixel rather than a star of the usual width."""
    number = np.arange(len(stamps))
    side = stamps.shape[1]
    column = np.clip(np.rint(x - origin[:, 0]).astype(int), 2, side - 3)
    row = np.clip(np.rint(y - origin[:, 1]).astype(int), 2, side - 3)
    near = np.arange(-1, 2)
    core = stamps[
        number[:, None, None], row[:, None, None] + near[:, None], column[:, None, None] + near
    ]
    flat = core.reshape(len(stamps), 9)
    peak = flat.argmax(axis=1)
    peak_row, peak_column = row + peak // 3 - 1, column + peak % 3 - 1
    around = stamps[
        number[:, None, None],
        peak_row[:, None, None] + near[:, None],
        peak_column[:, None, None] + near,
    ].sum(axis=(1, 2))
    share = flat.max(axis=1) / np.maximum(around, 1e-9)
    return np.asarray(
        (share > min(_HOT_PEAK_SHARE, _star_peak_share(width) + _HOT_SHARE_MARGIN)) & ~saturated
    )


def _star_peak_share(width: float) -> float:
    """Return the largest part of the flux in 3 x 3 px that a Gaussian star has in one pixel."""
    return (math.erf(0.5 / (width * math.sqrt(2))) / math.erf(1.5 / (width * math.sqrt(2)))) ** 2


def _phase_floor_px(width: float) -> float:
    """Return the centre's error from coarse pixels and unequal ones (px).

    The first term was fitted to rendered Gaussian stars of 1.5 to 3 px FWHM; the second is an
    allowance for real sensors.
    """
    return 0.08 * math.exp(-7.2 * (width - 0.43)) + 0.003


def _first_of_pair(
    x: Array, y: Array, flux: Array, good: NDArray[np.bool_], window: float
) -> NDArray[np.bool_]:
    """Return which stars are not a fainter copy of one at the same place."""
    near = np.hypot(x[:, None] - x, y[:, None] - y) < max(1.0, window)
    number = np.arange(x.size)
    brighter = (flux > flux[:, None]) | ((flux == flux[:, None]) & (number < number[:, None]))
    return np.asarray(~(near & brighter & good).any(axis=1))
