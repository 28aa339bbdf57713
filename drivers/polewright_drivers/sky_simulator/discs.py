"""Discs: the light of Sun, Moon and planets over the pixels.

The Sun's limb darkening is that of 550 nm in Allen's Astrophysical Quantities (Cox 2000):
0.30 + 0.93 mu - 0.23 mu^2 (from memory).  Dust reflects by Lommel and Seeliger's law, so a full
Moon is even to its limb; clouds by Lambert's.  Neither maria nor belts nor rings; a dark side sends
nothing.
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.blur import Blur, add_star

Array = NDArray[np.float64]

_SMALL_PX = 4.0
"""Smaller discs are drawn as a crowd of points, larger ones pixel by pixel."""
_EDGE_SAMPLES = 6
_NORMAL_SAMPLES = 300
_WIDEST_MARGIN_PX = 128
_UMBRA, _PENUMBRA = 0.25, 0.75
# A penumbra's radius over that of its umbra.
_PENUMBRA_REACH = 2.3


class Surface(StrEnum):
    """What sends the light."""

    SUN = "sun"
    DUST = "dust"
    CLOUD = "cloud"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Disc:
    """A body over the sensor.

    Attributes
    ----------
    centre_px : ndarray of shape (steps, 2)
        Column and row of its middle during equal shares of the exposure.
    across_px : ndarray of shape (2, 2)
        From its middle to its edge, as columns: toward the Sun (for the Sun itself: north), and
        square to that.
    mag : float
        Of all its light.
    phase_rad : float
        Angle at the body between Sun and observer.
    surface : Surface
        What sends the light.
    spots : ndarray of shape (n, 4)
        Places on the unit sphere (along both directions and toward the observer) and radii.
    """

    centre_px: Array
    across_px: Array
    mag: float
    phase_rad: float = 0.0
    surface: Surface = Surface.DUST
    spots: Array = field(default_factory=lambda: np.zeros((0, 4)))

    @property
    def radius_px(self) -> float:
        """Radius of a circle of the same area (px)."""
        return math.sqrt(abs(float(np.linalg.det(self.across_px))))

    def brightness(self, along: Array, square: Array) -> Array:
        """Return the brightness at places in radii from the middle, 0 outside; not scaled."""
        inside = along**2 + square**2 < 1.0
        depth = np.sqrt(np.clip(1.0 - along**2 - square**2, 0.0, None))
        if self.surface is not Surface.SUN:
            lit = np.clip(along * math.sin(self.phase_rad) + depth * math.cos(self.phase_rad),
                          0.0, None)  # fmt: skip
            if self.surface is Surface.DUST:
                lit = lit / np.maximum(lit + depth, 1e-9)
            return np.where(inside, lit, 0.0)
        light = np.where(inside, 0.30 + 0.93 * depth - 0.23 * depth**2, 0.0)
        for *place, radius in self.spots:
            away = np.sqrt(
                (along - place[0]) ** 2 + (square - place[1]) ** 2 + (depth - place[2]) ** 2
            )
            light = np.where(away < _PENUMBRA_REACH * radius, light * _PENUMBRA, light)
            light = np.where(away < radius, light * (_UMBRA / _PENUMBRA), light)
        return light

    def light(self) -> float:
        """Return the sum of the brightness, in squares of the radius."""
        if self.surface is Surface.SUN:
            return math.pi * (0.30 + 0.93 * 2.0 / 3.0 - 0.23 / 2.0)
        along, square = _grid(_NORMAL_SAMPLES)
        return float(self.brightness(along, square).sum()) * (2.0 / _NORMAL_SAMPLES) ** 2


def draw_spots(seed: int) -> Array:
    """Return spots of the Sun: a few groups in two belts, the same for a seed."""
    rng = np.random.default_rng([seed, 4])
    spots = []
    for _ in range(int(rng.integers(2, 5))):
        latitude = float(rng.choice([-1.0, 1.0]) * rng.uniform(8.0, 30.0))
        longitude = float(rng.uniform(-65.0, 65.0))
        for _ in range(int(rng.integers(1, 4))):
            north = math.radians(latitude + rng.normal(0.0, 1.5))
            west = math.radians(longitude + rng.normal(0.0, 4.0))
            spots.append(
                [
                    math.sin(north),
                    math.cos(north) * math.sin(west),
                    math.cos(north) * math.cos(west),
                    rng.uniform(0.004, 0.016),
                ]
            )
    return np.array(spots)


def add_disc(picture: NDArray[np.float32], disc: Disc, blur: Blur, electrons: float) -> None:
    """Add a body's light to a picture, blurred and drawn along its track."""
    track = disc.centre_px[np.isfinite(disc.centre_px).all(axis=1)]
    light = disc.light()
    if not len(track) or light <= 0.0:
        return
    electrons *= len(track) / len(disc.centre_px)
    if disc.radius_px < _SMALL_PX:
        _add_small(picture, disc, track, blur, electrons)
        return
    margin = min(math.ceil(6.0 * max(sigma for sigma, _ in blur)) + 4, _WIDEST_MARGIN_PX)
    reach = np.abs(disc.across_px).sum(axis=1) + margin
    size = np.array(picture.shape[::-1])
    # Of a slew only what fell on the sensor is drawn.
    seen = (track > -reach).all(axis=1) & (track < size + reach).all(axis=1)
    electrons *= float(seen.mean())
    track = track[seen]
    if not len(track):
        return
    middle = track.mean(axis=0)
    shift = np.abs(track - middle).max(axis=0) + margin
    low = np.floor(np.maximum(track.min(axis=0) - reach, -shift)).astype(int)
    high = np.ceil(np.minimum(track.max(axis=0) + reach, size + shift)).astype(int)
    columns, rows = (np.arange(a, b + 1) for a, b in zip(low, high, strict=True))
    patch = _sharp(disc, columns - middle[0], rows - middle[1])
    patch *= electrons / light / disc.radius_px**2
    # A transform is a ring: what runs over one side must not come back on the other.
    space = np.ceil(shift).astype(int)
    padded = np.pad(patch, ((0, space[1]), (0, space[0])))
    patch = _smeared(padded, track - middle, blur)[: len(rows), : len(columns)]
    inside_columns, inside_rows = (
        (places >= 0) & (places < length)
        for places, length in zip((columns, rows), size, strict=True)
    )
    picture[np.ix_(rows[inside_rows], columns[inside_columns])] += patch[
        np.ix_(inside_rows, inside_columns)
    ].astype(np.float32)


def _sharp(disc: Disc, columns: Array, rows: Array) -> Array:
    """Return the brightness of every pixel, the edge averaged over each."""
    inverse = np.linalg.inv(disc.across_px)

    def at(x: Array, y: Array) -> tuple[Array, Array]:
        return inverse[0, 0] * x + inverse[0, 1] * y, inverse[1, 0] * x + inverse[1, 1] * y

    x, y = np.broadcast_arrays(columns[None, :], rows[:, None])
    along, square = at(x, y)
    out = disc.brightness(along, square)
    edge = np.abs(np.hypot(along, square) - 1.0) * disc.radius_px < 1.5
    offsets = (np.arange(_EDGE_SAMPLES) + 0.5) / _EDGE_SAMPLES - 0.5
    total = np.zeros(int(edge.sum()))
    for dx in offsets:
        for dy in offsets:
            total += disc.brightness(*at(x[edge] + dx, y[edge] + dy))
    out[edge] = total / _EDGE_SAMPLES**2
    return out


def _smeared(patch: Array, steps_px: Array, blur: Blur) -> Array:
    """Return the patch blurred and averaged over shifts, by its Fourier transform."""
    down = np.fft.fftfreq(patch.shape[0])
    across = np.fft.rfftfreq(patch.shape[1])
    squared = down[:, None] ** 2 + across[None, :] ** 2
    passed = sum(share * np.exp(-2.0 * math.pi**2 * sigma**2 * squared) for sigma, share in blur)
    shift_down = np.exp(-2j * math.pi * np.outer(down, steps_px[:, 1]))
    shift_across = np.exp(-2j * math.pi * np.outer(steps_px[:, 0], across))
    shifted = shift_down @ shift_across / len(steps_px)
    smeared = np.fft.irfft2(np.fft.rfft2(patch) * passed * shifted, s=patch.shape)
    return np.clip(smeared, 0.0, None)


def _add_small(
    picture: NDArray[np.float32], disc: Disc, track: Array, blur: Blur, electrons: float
) -> None:
    """Add a disc that is hardly larger than the blur, as points."""
    finest = min(sigma for sigma, _ in blur)
    count = min(max(math.ceil(2.0 * disc.radius_px / (0.7 * finest)), 4), 15)
    along, square = (axis.ravel() for axis in _grid(count))
    light = disc.brightness(along, square)
    total = float(light.sum())
    if total <= 0.0:  # a crescent between the points
        along, square, light, total = np.ones(1), np.zeros(1), np.ones(1), 1.0
    for point, part in zip(np.column_stack([along, square]), light / total, strict=True):
        if part > 0.0:
            moved = track + disc.across_px @ point
            for sigma, share in blur:
                add_star(picture, moved, sigma, electrons / len(track) * part * share)


def _grid(count: int) -> tuple[Array, Array]:
    """Return even places over the square around the unit circle."""
    side = (np.arange(count) + 0.5) / count * 2.0 - 1.0
    along, square = np.meshgrid(side, side, indexing="ij")
    return along, square
