"""Limbs: points on the edge of a disc along rays from its centre, and the circle through them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.arrays import settled
from polewright.core.imaging.binning import Image

Array = NDArray[np.float64]
Circle = tuple[float, float, float]

_STEP_PX = 0.5
_FEWEST_RAYS, _MOST_RAYS = 72, 1200
_SIGNAL_OF_A_POINT = 3.5
_CLIP_SIGMAS = 3.5
_SIGMA_PER_MAD = 1.0 / 0.6745
_ROUNDS = 12
# With less of the circle than this, flattening and centre look alike.
_ARC_FOR_FLATTENING = 0.75
# The part of a disc's radius within which brightness says where the lit side is.
_INNER = 0.97


@dataclass(frozen=True, slots=True, eq=False)
class LimbPoints:
    """Points of the limb: angle (rad, from column toward row) and place (px).

    ``step`` is the usual fall of brightness, ``signal`` the same in sigmas of one ray,
    ``looked_at`` and ``all_round`` the numbers of rays looked at and on a full circle.
    """

    angle: Array
    x: Array
    y: Array
    step: float
    signal: float
    looked_at: int
    all_round: int


@dataclass(frozen=True, slots=True, eq=False)
class CircleFit:
    """A circle through limb points; ``covariance`` is of centre and radius first."""

    x: float
    y: float
    radius: float
    covariance: Array
    scatter: float
    used: int
    keep: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Limb:
    """A picture to look for a limb in."""

    picture: Image

    def sample(self, x: Array, y: Array) -> Array:
        """Return the brightness at places between pixels, nan outside of the picture."""
        height, width = self.picture.shape
        inside = (x >= 0.0) & (x <= width - 1.0) & (y >= 0.0) & (y <= height - 1.0)
        column = np.clip(x.astype(np.intp), 0, width - 2)
        row = np.clip(y.astype(np.intp), 0, height - 2)
        right, down = x - column, y - row
        values = np.asarray(
            self.picture[row, column] * ((1.0 - right) * (1.0 - down))
            + self.picture[row, column + 1] * (right * (1.0 - down))
            + self.picture[row + 1, column] * ((1.0 - right) * down)
            + self.picture[row + 1, column + 1] * (right * down),
            dtype=np.float64,
        )
        values[~inside] = np.nan
        values[~inside] = np.nan
        return values

    def rays(self, circle: Circle) -> Array:
        """Return the angles of the rays for a circle, about one for each pixel of limb."""
        count = int(np.clip(2.0 * math.pi * circle[2], _FEWEST_RAYS, _MOST_RAYS))
        return np.asarray(np.arange(count) * (2.0 * math.pi / count), dtype=np.float64)

    def points(
        self, circle: Circle, *, window: float, edge: float, toward: float | None, half: float
    ) -> LimbPoints:
        """Return where brightness falls most steeply on each ray within ``window`` of a circle.

        Parameters
        ----------
        edge : float
            Width of the fall (standard deviation, px): the filter that finds it best.
        toward, half : float or None, float
            Only rays within ``half`` of this angle (rad) are looked at; None: all.
        """
        centre_x, centre_y, radius = circle
        angle = self.rays(circle)
        all_round = angle.size
        if toward is not None:
            off = np.abs(np.angle(np.exp(1j * (angle - toward))))
            angle = angle[off < half]
        reach = 3.0 * edge
        offsets = np.arange(-window - reach, window + reach + 1e-9, _STEP_PX)
        offsets = offsets[radius + offsets > 0.25 * radius]
        distance = radius + offsets
        values = self.sample(
            centre_x + np.cos(angle)[:, None] * distance,
            centre_y + np.sin(angle)[:, None] * distance,
        )
        whole = np.isfinite(values).all(axis=1)
        angle, values = angle[whole], values[whole]
        none = np.zeros(0)
        nothing = LimbPoints(none, none, none, 0.0, 0.0, int(angle.size), all_round)
        if angle.size == 0:
            return nothing
        fall, gain = _fall(values, edge)
        margin = math.ceil(reach / _STEP_PX)
        middle = fall[:, margin:-margin]
        if middle.shape[1] < 3:
            return nothing
        # The noise of a fall, from falls next to each other away from the steepest.
        peak = np.argmax(middle[:, 1:-1], axis=1) + 1
        rows = np.arange(angle.size)
        height = middle[rows, peak]
        noise = self._noise(values) * gain
        before, after = middle[rows, peak - 1], middle[rows, peak + 1]
        bend = before - 2.0 * height + after
        part = np.where(bend < 0.0, 0.5 * (before - after) / np.where(bend < 0.0, bend, -1.0), 0.0)
        place = distance[margin] + (peak + np.clip(part, -1.0, 1.0)) * _STEP_PX
        good = height > _SIGNAL_OF_A_POINT * noise
        if not good.any():
            return nothing
        usual = float(np.median(height[good]))
        # What is far fainter than the rest is another thing's edge: a reflection, a cloud.
        good &= height > 0.15 * usual
        return LimbPoints(
            angle[good],
            centre_x + np.cos(angle[good]) * place[good],
            centre_y + np.sin(angle[good]) * place[good],
            usual * edge * math.sqrt(2.0 * math.pi),
            usual / max(noise, 1e-30),
            int(angle.size),
            all_round,
        )

    @staticmethod
    def _noise(values: Array) -> float:
        """Return the noise of a sample, from neighbouring rays (robust)."""
        steps = np.diff(values, axis=0)[:, ::4] / math.sqrt(2.0)
        return max(float(np.median(np.abs(steps))) * _SIGMA_PER_MAD, 1e-6) if steps.size else 1e-6

    def edge_width(self, points: LimbPoints, fit: CircleFit, window: float) -> float:
        """Return the width of the mean fall of brightness (standard deviation, px)."""
        angle = points.angle[fit.keep]
        offsets = np.arange(-window, window + 1e-9, _STEP_PX)
        distance = fit.radius + offsets[fit.radius + offsets > 0.0]
        values = self.sample(
            fit.x + np.cos(angle)[:, None] * distance, fit.y + np.sin(angle)[:, None] * distance
        )
        whole = values[np.isfinite(values).all(axis=1)]
        slope = -np.diff(np.median(whole, axis=0)) / _STEP_PX if whole.size else np.zeros(1)
        if slope.max() <= 0.0:
            return 1.0
        # Width at half the steepest slope: limb darkening's long tail does not count.
        steepest = int(np.argmax(slope))
        half = 0.5 * float(slope[steepest])
        ends = []
        for way in (-1, 1):
            at = steepest
            while 0 < at < slope.size - 1 and slope[at] > half:
                at += way
            if at == steepest:  # at the window's end
                ends.append(1.0)
                continue
            over, under = float(slope[at - way]), float(slope[at])
            part = (over - half) / (over - under) if over > under else 1.0
            ends.append(abs(at - way - steepest) + min(part, 1.0))
        width = sum(ends) * _STEP_PX / 2.355
        return float(np.clip(width, 0.5, max(0.5, window / 3.0)))

    def brightest_way(self, x: float, y: float, radius: float) -> float:
        """Return the direction (rad) from the centre of a circle to the light in it."""
        rows, columns, inside = self._inside(x, y, _INNER * radius)
        values = self.picture[rows, columns].astype(np.float64)[inside]
        if values.size == 0:
            return 0.0
        values = np.maximum(values - np.quantile(values, 0.05), 0.0)
        column, row = np.broadcast_arrays(columns, rows)
        return math.atan2(
            float((values * (row[inside] - y)).sum()), float((values * (column[inside] - x)).sum())
        )

    def saturated(self, x: float, y: float, radius: float, full: float | None) -> float:
        """Return the part of the pixels inside that are full; 0 where nobody knows."""
        rows, columns, inside = self._inside(x, y, radius)
        values = self.picture[rows, columns][inside]
        return float((values >= full).mean()) if full is not None and values.size else 0.0

    def holds(self, x: float, y: float, radius: float) -> bool:
        """Return whether all of a circle is in the picture."""
        height, width = self.picture.shape
        return bool(
            x - radius >= 0.0
            and y - radius >= 0.0
            and x + radius <= width - 1.0
            and y + radius <= height - 1.0
        )

    def _inside(
        self, x: float, y: float, radius: float
    ) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
        height, width = self.picture.shape
        rows = np.arange(max(0, math.ceil(y - radius)), min(height, math.floor(y + radius) + 1))
        columns = np.arange(max(0, math.ceil(x - radius)), min(width, math.floor(x + radius) + 1))
        inside = (columns[None, :] - x) ** 2 + (rows[:, None] - y) ** 2 <= radius**2
        return rows[:, None], columns[None, :], inside


def _fall(values: Array, edge: float) -> tuple[Array, float]:
    """Return the fall of brightness along rays (per px) through the derivative of a Gaussian,
    and what it makes of the noise of a sample."""
    reach = max(1, math.ceil(3.0 * edge / _STEP_PX))
    places = np.arange(-reach, reach + 1) * _STEP_PX
    kernel = places * np.exp(-0.5 * (places / edge) ** 2)
    kernel /= float((kernel * places).sum())
    padded = np.pad(values, [(0, 0), (reach, reach)], mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, kernel.size, axis=1)
    # Bilinear samples half a pixel apart share pixels: their noise adds up more than freely.
    return -(windows @ kernel), 1.4 * float(np.sqrt(np.square(kernel).sum()))


def fit_circle(points: LimbPoints, start: Circle) -> CircleFit:
    """Return the circle through limb points: geometric distances, outliers left out in rounds.

    Where most of the circle is there, its flattening (air, a planet's own) is fitted as well.
    The covariance grows with how far the scatter lasts along the limb (seeing, mountains).
    """
    x, y, radius = start
    keep = np.ones(points.angle.size, dtype=bool)
    flattened = points.angle.size >= _ARC_FOR_FLATTENING * points.all_round
    shape = np.zeros(2)
    left = np.zeros(0)
    design = np.zeros((0, 3))
    for _ in range(_ROUNDS):
        across, down = points.x - x, points.y - y
        distance = np.hypot(across, down)
        angle = np.arctan2(down, across)
        columns = [across / distance, down / distance, np.ones(distance.size)]
        if flattened:
            columns += [np.cos(2.0 * angle), np.sin(2.0 * angle)]
        design = np.column_stack(columns)
        left = distance - radius - (design[:, 3:] @ shape if flattened else 0.0)
        middle = float(np.median(left[keep]))
        spread = float(np.median(np.abs(left[keep] - middle))) * _SIGMA_PER_MAD
        now = np.abs(left - middle) <= max(_CLIP_SIGMAS * spread, 0.02)
        step = np.linalg.lstsq(design[now], left[now], rcond=None)[0]
        settled_ = bool((now == keep).all()) and float(np.abs(step[:3]).max()) < 1e-5
        keep = now
        x, y, radius = x + step[0], y + step[1], radius + step[2]
        shape = shape + step[3:] if flattened else shape
        if settled_:
            break
    used = int(keep.sum())
    remaining = left[keep] - design[keep] @ step
    freedom = max(used - design.shape[1], 1)
    variance = float(remaining @ remaining) / freedom
    covariance = np.linalg.pinv(design[keep].T @ design[keep]) * variance * _lasting(remaining)
    return CircleFit(
        float(x),
        float(y),
        float(radius),
        settled(covariance),
        math.sqrt(variance),
        used,
        keep,
    )


def _lasting(values: Array) -> float:
    """Return over how many neighbouring limb points a deviation lasts: 1 where each is new."""
    power = float(values @ values)
    if values.size < 16 or power == 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, values.size // 4):
        likeness = float(values[lag:] @ values[:-lag]) / power
        if likeness < 1.0 / math.sqrt(values.size):
            break
        total += 2.0 * likeness
    return total
