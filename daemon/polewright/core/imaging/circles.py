"""Circles in a picture: bright discs found roughly, by edges whose slopes point to one centre."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.imaging.binning import Image

Array = NDArray[np.float64]

# An edge counts from here: in sigma of the picture's own slopes, and as part of the steepest.
_SLOPE_SIGMAS = 5.0
_PART_OF_STEEPEST = 0.2
_MOST_EDGES = 3000
_PAIRS = 3000
_SECTORS = 48
# Circles that are held against all edges at once: their arrays stay small.
_TOGETHER = 64
# Circles closer than this are scored once: a third of how far an edge may lie off its circle.
_ALIKE_PX = 0.5
# Slopes that pass the centre by more than this angle do not belong (cosine of 25 deg).
_ALIGNED = 0.906
_SMALLEST_PX = 2.5
_SIGMA_PER_MAD = 1.0 / 0.6745
# Enough for pairs of edges, the same every time.
_SEED = 20261125


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """A rough circle (px); ``score`` is the length of its arc that edges cover (px)."""

    x_px: float
    y_px: float
    radius_px: float
    score: float


def find_circles(
    picture: Image, *, least_px: float = _SMALLEST_PX, largest_px: float = np.inf, most: int = 4
) -> list[Circle]:
    """Return different circles with a bright inside, the one with the longest arc first."""
    edges = _edges(picture)
    if edges is None:
        return []
    x, y, slope_x, slope_y = edges
    candidates = _crossings(x, y, slope_x, slope_y, least_px, largest_px)
    if candidates.shape[0] == 0:
        return []
    scores = _scores(candidates, x, y, slope_x, slope_y)
    found: list[Circle] = []
    order = np.argsort(scores)[::-1]
    for index in order[:400]:
        centre_x, centre_y, radius = candidates[index]
        if any(
            np.hypot(centre_x - c.x_px, centre_y - c.y_px) + abs(radius - c.radius_px)
            < 0.35 * max(c.radius_px, radius)
            for c in found
        ):
            continue
        refined = _refined((centre_x, centre_y, radius), x, y, slope_x, slope_y)
        if refined is not None and least_px <= refined.radius_px <= largest_px:
            found.append(refined)
        if len(found) == most:
            break
    return sorted(found, key=lambda circle: -circle.score)


def _edges(picture: Image) -> tuple[Array, Array, Array, Array] | None:
    """Return places and unit slopes (toward the bright side) of the steepest pixels."""
    smooth = _smoothed(picture)
    slope_y, slope_x = (np.asarray(slope) for slope in np.gradient(smooth))
    steep = np.asarray(np.hypot(slope_x, slope_y))
    steep[[0, -1], :] = 0.0
    steep[:, [0, -1]] = 0.0
    usual = float(np.median(steep))
    noise = float(np.median(np.abs(steep - usual))) * _SIGMA_PER_MAD
    steepest = float(np.quantile(steep, 1.0 - 40.0 / steep.size))
    threshold = max(usual + _SLOPE_SIGMAS * noise, _PART_OF_STEEPEST * steepest)
    chosen = np.flatnonzero(steep.ravel() > threshold)
    if chosen.size < 12:
        return None
    if chosen.size > _MOST_EDGES:
        chosen = chosen[:: chosen.size // _MOST_EDGES + 1]
    row, column = np.unravel_index(chosen, steep.shape)
    length = steep[row, column]
    return (
        column.astype(np.float64),
        row.astype(np.float64),
        (slope_x[row, column] / length).astype(np.float64),
        (slope_y[row, column] / length).astype(np.float64),
    )


def _smoothed(picture: Image) -> NDArray[np.float64]:
    """Return the picture through a small binomial filter, edges repeated."""
    result = picture.astype(np.float64)
    for axis in (0, 1):
        padded = np.pad(result, [(2, 2) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        parts = [
            np.take(padded, range(k, k + result.shape[axis]), axis=axis) * weight
            for k, weight in enumerate((1.0, 4.0, 6.0, 4.0, 1.0))
        ]
        result = np.add.reduce(parts) / 16.0
    return np.asarray(result)


def _crossings(
    x: Array, y: Array, slope_x: Array, slope_y: Array, least_px: float, largest_px: float
) -> Array:
    """Return circles (centre, radius) on which pairs of edges lie, where their slopes cross."""
    rng = np.random.default_rng(_SEED)
    one, other = rng.integers(0, x.size, size=(2, _PAIRS))
    across = slope_x[one] * slope_y[other] - slope_y[one] * slope_x[other]
    usable = np.abs(across) > 0.2
    one, other, across = one[usable], other[usable], across[usable]
    apart_x, apart_y = x[other] - x[one], y[other] - y[one]
    first = (apart_x * slope_y[other] - apart_y * slope_x[other]) / across
    second = (apart_x * slope_y[one] - apart_y * slope_x[one]) / across
    radius = 0.5 * (first + second)
    usable = (
        (np.minimum(first, second) > 0.0)
        & (np.abs(first - second) < 0.25 * np.abs(radius) + 1.0)
        & (radius >= least_px)
        & (radius <= largest_px)
    )
    centre_x = x[one] + first * slope_x[one]
    centre_y = y[one] + first * slope_y[one]
    return _different(np.column_stack([centre_x, centre_y, radius])[usable])


def _different(circles: Array) -> Array:
    """Return one circle of those that are all but the same: on a sharp disc most pairs agree."""
    cells = np.round(circles / _ALIKE_PX)
    cells -= cells.min(axis=0, initial=0.0)
    sizes = cells.max(axis=0, initial=0.0) + 1.0
    names = (cells[:, 0] * sizes[1] + cells[:, 1]) * sizes[2] + cells[:, 2]
    return np.asarray(circles[np.sort(np.unique(names, return_index=True)[1])])


def _scores(circles: Array, x: Array, y: Array, slope_x: Array, slope_y: Array) -> Array:
    """Return the length of the arcs that edges cover (px)."""
    step = max(1, x.size // 600)
    x, y, slope_x, slope_y = x[::step], y[::step], slope_x[::step], slope_y[::step]
    # Small circles have few edges: no more sectors than pixels.
    sectors = np.clip((2.0 * np.pi * circles[:, 2]).astype(int), 8, _SECTORS)
    covered = np.zeros(circles.shape[0])
    for begin in range(0, circles.shape[0], _TOGETHER):
        some = slice(begin, begin + _TOGETHER)
        centre_x, centre_y, radius = circles[some].T[:, :, None]
        on = _on_circles(centre_x, centre_y, radius, x, y, slope_x, slope_y)
        circle, edge = np.nonzero(on)
        angle = np.arctan2(y[edge] - centre_y[circle, 0], x[edge] - centre_x[circle, 0])
        sector = ((angle / (2.0 * np.pi) + 0.5) * sectors[some][circle]).astype(int)
        seen = np.zeros((on.shape[0], _SECTORS + 1), dtype=bool)
        seen[circle, sector] = True
        covered[some] = np.count_nonzero(seen, axis=1)
    return np.asarray(covered / sectors * 2.0 * np.pi * circles[:, 2])


def _on_circles(
    centre_x: Array, centre_y: Array, radius: Array,
    x: Array, y: Array, slope_x: Array, slope_y: Array,
) -> NDArray[np.bool_]:  # fmt: skip
    """Return which edges (the last axis) lie on which circles (the axes before)."""
    toward_x, toward_y = centre_x - x, centre_y - y
    distance = np.sqrt(toward_x**2 + toward_y**2)
    aligned = toward_x * slope_x + toward_y * slope_y > _ALIGNED * distance
    near = np.abs(distance - radius) < np.maximum(1.5, 0.05 * radius)
    return np.asarray(aligned & near)


def _refined(
    circle: tuple[float, float, float], x: Array, y: Array, slope_x: Array, slope_y: Array
) -> Circle | None:
    """Return the circle fitted to its edges; None where too few are left."""
    for _ in range(4):
        centre_x, centre_y, radius = np.array(circle)
        on = np.flatnonzero(_on_circles(centre_x, centre_y, radius, x, y, slope_x, slope_y))
        if on.size < 8:
            return None
        # Algebraic fit (Kasa 1976) about the present centre: small bias, no iteration.
        across, down = x[on] - circle[0], y[on] - circle[1]
        matrix = np.column_stack([across, down, np.ones(on.size)])
        solution = np.linalg.lstsq(matrix, across**2 + down**2, rcond=None)[0]
        move_x, move_y = 0.5 * solution[0], 0.5 * solution[1]
        square = float(solution[2] + move_x**2 + move_y**2)
        if square <= 0.0:
            return None
        circle = (circle[0] + move_x, circle[1] + move_y, square**0.5)
    score = _scores(np.array([circle]), x, y, slope_x, slope_y)[0]
    return Circle(x_px=circle[0], y_px=circle[1], radius_px=circle[2], score=float(score))
