"""Centring: a Gaussian-windowed centre for each detected star, with its noise.

The window is the one of SExtractor's XWIN_IMAGE (Bertin & Arnouts 1996, A&AS 117, 393); the
noise of every pixel is propagated into the centre.  All stars are measured at once, in stamps.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.imaging.frame import Pixels

Array = NDArray[np.float64]

LARGEST_WINDOW_PX = 12.0
STAR_QUANTILE = 0.3  # of the widths is a star's even where leaves, roofs and clouds are wider
SURE_SIGNAL_TO_NOISE = 10.0

_SMALLEST_WINDOW_PX = 0.85  # narrower, pixels are too coarse for the window
_ROUGH_ROUNDS = 3  # while the window is still being sought
_CENTRE_ROUNDS = 9
_CENTRE_SETTLED_PX = 1e-4
_LARGEST_WANDER_PX = 2.5
_HOT_PEAK_SHARE = 0.8  # of the flux in 3 x 3 px; a star of FWHM 1 px has 0.6 at most
_WIDEST_SQUARE = 0.75  # of the window's own: an object 1.7 times wider than the stars
_HOT_SHARE_MARGIN = 0.25  # above the share of a star of the usual width
_SATURATED_FLOOR_PX = 0.2
_FAINTEST_SIGNAL_TO_NOISE = 5.0  # noise alone passes about once in ten frames


@dataclass(slots=True)
class Measured:
    """One value a detected object, stars or not (px, pixel units)."""

    x: Array
    y: Array
    flux: Array
    sigma: Array
    saturated: NDArray[np.bool_]
    good: NDArray[np.bool_]
    width: float


@dataclass(slots=True)
class _Moments:
    """Windowed sums over every stamp; ``norm`` is the windowed flux."""

    norm: Array
    mean_x: Array
    mean_y: Array
    square: Array


class Field:
    """The full picture around the detected stars; ``sky`` and ``noise`` are one value a star."""

    def __init__(
        self,
        *,
        picture: Pixels,
        sky: Array,
        noise: Array,
        electrons_per_adu: float | None,
        full: float | None,
    ) -> None:
        self._picture = picture
        self._sky = sky
        self._noise = noise
        self._electrons_per_adu = electrons_per_adu
        self._full = full

    def measure(self, start_x: Array, start_y: Array, window: float) -> Measured:
        """Refine centres, then tell which are stars."""
        x, y, stamps, origin = self._centre(start_x, start_y, window, _ROUGH_ROUNDS)
        for rounds in (_ROUGH_ROUNDS, _ROUGH_ROUNDS, _CENTRE_ROUNDS):
            usual = ~_single_pixel(stamps, origin, x, y, _HOT_PEAK_SHARE)
            width = _width(stamps, origin, x, y, window, self._noise, usual)
            window = float(np.clip(width, _SMALLEST_WINDOW_PX, LARGEST_WINDOW_PX))
            x, y, stamps, origin = self._centre(x, y, window, rounds)
        width = _width(stamps, origin, x, y, window, self._noise, usual)
        response = window**2 / (window**2 + width**2)  # of the windowed mean to a shift
        weights, moments = _moments(stamps, origin, x, y, window)
        sigma = self._sigma(stamps, weights, moments.norm * response)
        signal_to_noise = moments.norm / (self._noise * weights.root_sum_square)
        saturated = self._saturated(stamps)
        sigma = np.hypot(sigma, np.where(saturated, _SATURATED_FLOOR_PX, _phase_floor_px(width)))
        sharpest = min(_HOT_PEAK_SHARE, _star_peak_share(width) + _HOT_SHARE_MARGIN)
        rows, columns = self._picture.shape
        good = (
            np.isfinite(sigma)
            & (signal_to_noise > _FAINTEST_SIGNAL_TO_NOISE)
            & (np.hypot(x - start_x, y - start_y) < _LARGEST_WANDER_PX + window)
            & (x > 1.0) & (x < columns - 2.0) & (y > 1.0) & (y < rows - 2.0)
            & (saturated | ~_single_pixel(stamps, origin, x, y, sharpest))
            & (saturated | (moments.square < _WIDEST_SQUARE * window**2))
        )  # fmt: skip
        flux = moments.norm / response
        good &= _first_of_pair(x, y, flux, good, window)
        return Measured(x, y, flux, sigma, saturated, good, width)

    def _stamps(self, x: Array, y: Array, window: float) -> tuple[Array, Array]:
        """Cut square stamps around the centres, sky off; what is off the picture is zero."""
        reach = int(np.ceil(3.5 * window)) + 1
        offsets = np.arange(-reach, reach + 1)
        rows, columns = self._picture.shape
        at_x = np.rint(x).astype(int)[:, None] + offsets
        at_y = np.rint(y).astype(int)[:, None] + offsets
        stamps = (
            self._picture[
                np.clip(at_y, 0, rows - 1)[:, :, None], np.clip(at_x, 0, columns - 1)[:, None, :]
            ]
            - self._sky[:, None, None]
        )
        off_y, off_x = (at_y < 0) | (at_y >= rows), (at_x < 0) | (at_x >= columns)
        if off_x.any() or off_y.any():
            stamps[off_y[:, :, None] | off_x[:, None, :]] = 0.0
        return stamps, np.column_stack([at_x[:, 0], at_y[:, 0]]).astype(np.float64)

    def _centre(
        self, x: Array, y: Array, window: float, rounds: int
    ) -> tuple[Array, Array, Array, Array]:
        """Move each centre until its windowed mean is zero."""
        stamps, origin = self._stamps(x, y, window)
        x, y = x.copy(), y.copy()
        moving = np.arange(x.size)
        for _ in range(rounds):
            _, moments = _moments(stamps[moving], origin[moving], x[moving], y[moving], window)
            # A star as wide as the window answers a shift by half of it.
            step_x = np.clip(2.0 * moments.mean_x, -1.0, 1.0)
            step_y = np.clip(2.0 * moments.mean_y, -1.0, 1.0)
            x[moving] += step_x
            y[moving] += step_y
            moving = moving[np.maximum(np.abs(step_x), np.abs(step_y)) > _CENTRE_SETTLED_PX]
            if moving.size == 0:
                break
        return x, y, stamps, origin

    def _sigma(self, stamps: Array, weights: "_Weights", slope: Array) -> Array:
        """Propagate every pixel's noise into the windowed mean; the mean of both axes."""
        squares_x, squares_y = np.square(weights.x), np.square(weights.y)
        lever_x, lever_y = squares_x * weights.dx**2, squares_y * weights.dy**2
        variance = (
            np.square(self._noise)
            * 0.5
            * (
                lever_x.sum(axis=1) * squares_y.sum(axis=1)
                + squares_x.sum(axis=1) * lever_y.sum(axis=1)
            )
        )
        if self._electrons_per_adu:
            photons = np.maximum(stamps, 0.0) / self._electrons_per_adu
            variance += 0.5 * (
                np.einsum("ny,nyx,nx->n", squares_y, photons, lever_x)
                + np.einsum("ny,nyx,nx->n", lever_y, photons, squares_x)
            )
        with np.errstate(divide="ignore"):
            return np.asarray(np.sqrt(variance) / np.maximum(slope, 0.0))

    def _saturated(self, stamps: Array) -> NDArray[np.bool_]:
        if self._full is None:
            return np.zeros(len(stamps), dtype=bool)
        middle = stamps.shape[1] // 2
        core = stamps[:, middle - 2 : middle + 3, middle - 2 : middle + 3]
        return np.asarray(core.max(axis=(1, 2)) + self._sky >= self._full)


@dataclass(slots=True)
class _Weights:
    """The separable Gaussian window over each stamp and the offsets from its centre (px)."""

    x: Array
    y: Array
    dx: Array
    dy: Array

    @property
    def root_sum_square(self) -> Array:
        return np.asarray(np.sqrt(np.square(self.x).sum(axis=1) * np.square(self.y).sum(axis=1)))


def _moments(
    stamps: Array, origin: Array, x: Array, y: Array, window: float
) -> tuple[_Weights, _Moments]:
    side = np.arange(stamps.shape[1])
    dx = origin[:, :1] + side - x[:, None]
    dy = origin[:, 1:] + side - y[:, None]
    weight_x = np.exp(-0.5 * np.square(dx / window))
    weight_y = np.exp(-0.5 * np.square(dy / window))
    powers_x = np.stack([weight_x, weight_x * dx, weight_x * dx * dx], axis=2)
    powers_y = np.stack([weight_y, weight_y * dy, weight_y * dy * dy], axis=1)
    sums = powers_y @ (stamps @ powers_x)  # (n, power of y, power of x)
    norm = sums[:, 0, 0]
    safe = np.where(norm > 0.0, norm, np.inf)
    return _Weights(weight_x, weight_y, dx, dy), _Moments(
        norm=norm,
        mean_x=sums[:, 0, 1] / safe,
        mean_y=sums[:, 1, 0] / safe,
        square=0.5 * (sums[:, 0, 2] + sums[:, 2, 0]) / safe,
    )


def _width(
    stamps: Array,
    origin: Array,
    x: Array,
    y: Array,
    window: float,
    noise: Array,
    usual: NDArray[np.bool_],
) -> float:
    """Return the usual Gaussian sigma of the brighter stars (px)."""
    weights, moments = _moments(stamps, origin, x, y, window)
    significance = moments.norm / (noise * weights.root_sum_square)
    bright = brighter(np.where(usual, significance, -np.inf), SURE_SIGNAL_TO_NOISE)
    square = float(
        np.clip(np.quantile(moments.square[bright], STAR_QUANTILE), 0.05, 0.75 * window**2)
    )
    return math.sqrt(square * window**2 / (window**2 - square))


def _single_pixel(
    stamps: Array, origin: Array, x: Array, y: Array, largest_share: float
) -> NDArray[np.bool_]:
    """Return where one pixel holds more of its 3 x 3 neighbourhood's flux than a star's would."""
    side = stamps.shape[1]
    number = np.arange(len(stamps))[:, None, None]
    near = np.arange(-1, 2)
    column = np.clip(np.rint(x - origin[:, 0]).astype(int), 2, side - 3)
    row = np.clip(np.rint(y - origin[:, 1]).astype(int), 2, side - 3)
    core = stamps[number, row[:, None, None] + near[:, None], column[:, None, None] + near]
    flat = core.reshape(len(stamps), 9)
    peak = flat.argmax(axis=1)
    row, column = row + peak // 3 - 1, column + peak % 3 - 1
    around = stamps[number, row[:, None, None] + near[:, None], column[:, None, None] + near]
    return np.asarray(flat.max(axis=1) > largest_share * around.sum(axis=(1, 2)))


def _star_peak_share(width: float) -> float:
    """Return the largest part of the flux in 3 x 3 px that a Gaussian star has in one pixel."""
    return (math.erf(0.5 / (width * math.sqrt(2))) / math.erf(1.5 / (width * math.sqrt(2)))) ** 2


def _phase_floor_px(width: float) -> float:
    """Return the centre's error from coarse pixels and unequal ones (px).

    The first term was fitted to rendered Gaussian stars of 1.5 to 3 px FWHM; the second is an
    allowance for real sensors.
    """
    return 0.077 * math.exp(-5.64 * (width - 0.37)) + 0.001


def _first_of_pair(
    x: Array, y: Array, flux: Array, good: NDArray[np.bool_], window: float
) -> NDArray[np.bool_]:
    """Return which stars are not a fainter copy of one at the same place."""
    near = np.hypot(x[:, None] - x, y[:, None] - y) < max(1.0, window)
    number = np.arange(x.size)
    brighter = (flux > flux[:, None]) | ((flux == flux[:, None]) & (number < number[:, None]))
    return np.asarray(~(near & brighter & good).any(axis=1))


def brighter(significance: Array, sure: float) -> NDArray[np.intp]:
    """Return the brighter half of what is surely no noise; the three brightest if nothing is."""
    order = np.argsort(significance)[::-1]
    certain = int(np.count_nonzero(significance > sure))
    return order[: max(3, (certain + 1) // 2)]
