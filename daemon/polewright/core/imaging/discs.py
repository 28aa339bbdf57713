"""Discs: the centre of the Sun, the Moon or a planet's disc by a fit to its limb, with a sigma.

A rough circle (:mod:`polewright.core.imaging.circles`) is refined along rays: on each the steepest
fall of brightness is the limb.  Limb darkening and glare move it alike on every ray: that changes
the radius, which is free, and leaves the centre.  Only the lit half of a Moon or a planet counts:
the terminator is no limb.
"""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.errors import MeasurementError
from polewright.core.geometry.arrays import settled
from polewright.core.imaging.binning import Image, binned
from polewright.core.imaging.circles import Circle, find_circles
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.limb import CircleFit, Limb, LimbPoints, fit_circle
from polewright.core.imaging.phases import Surface, lit_globe

Array = NDArray[np.float64]

SMALLEST_RADIUS_PX = 6.0
"""Smaller discs are points: see :mod:`polewright.core.imaging.bright_points`."""

# Full discs have a limb all round; from this phase angle on only the lit half is one.
_FULL_RAD = math.radians(14.0)
# Below that the dark side's limb is used as well, though it falls off softly there.  Centres of
# rendered globes are off by 0.5 (dust) to 1.0 (clouds) times the phase angle times the root of
# radius and width of the edge.
_SOFT_LIMB = 1.0
# How much of what a phase does to the limb is not known: surfaces differ from the two laws.
_LAW_UNKNOWN = 0.15
_LIT_HALF_RAD = math.radians(80.0)
# The horns of a crescent fade: its limb is measured nearer to its middle.
_CRESCENT_RAD = math.radians(115.0)
_CRESCENT_HALF_RAD = math.radians(65.0)
_SEARCH_SIDE_PX = 320
_SEARCH_RADIUS_PX = 40.0
_RADIUS_WITHIN = 0.15
_ROUNDS = 4
_PHASE_ROUNDS = 2
# What a limb must show to be one: see the measured rates of false discs in the tests.
_LEAST_ARC = 0.17
_LEAST_PART = 0.55
_LARGEST_SCATTER_PX = 0.8
_LARGEST_SCATTER_PART = 0.012
# Half a circle is more easily found by chance than a whole one.
_LEAST_PART_LIT = 0.7
_LARGEST_SCATTER_LIT_PX = 0.35
_LARGEST_SCATTER_LIT_PART = 0.008
_LEAST_SIGNAL = 5.0
_LARGEST_SIGMA_PX = 1.0
# Brightness that changes along the limb (cloud, glare) moves a centre by so much (px; measured on
# rendered clouds that take up to 60 % of the light).
_FLOOR_PX = 0.015
_WIDEST_EDGE = 0.25
_ALIKE = 0.75


class Cut(StrEnum):
    """Whether all of the disc is in the picture."""

    WHOLE = "whole"
    PARTIAL = "partial"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Disc:
    """One disc.

    Attributes
    ----------
    x_px, y_px : float
        Centre (column, row; of the full picture, which it may be outside of).
    covariance_px2 : ndarray of shape (2, 2)
        Of the centre (px^2).
    radius_px, radius_sigma_px : float
        Radius of the limb as it shows itself (px).
    arc : float
        Part of the full circle on which the limb was measured.
    scatter_px : float
        Of single limb points about the circle (rms, px).
    edge_px : float
        Width of the limb's fall of brightness (standard deviation, px).
    saturated_fraction : float
        Part of the pixels inside that are full.
    cut : Cut
        Whether the disc is cut by the picture's edge.
    limb_points : int
        Number of rays on which the limb was measured.
    """

    x_px: float
    y_px: float
    covariance_px2: Array
    radius_px: float
    radius_sigma_px: float
    arc: float
    scatter_px: float
    edge_px: float
    saturated_fraction: float
    cut: Cut
    limb_points: int

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "covariance_px2", settled(self.covariance_px2))

    @property
    def sigma_px(self) -> float:
        """Standard deviation of the centre along its worst direction (px)."""
        return math.sqrt(float(np.linalg.eigvalsh(self.covariance_px2)[-1]))


def find_disc(
    frame: Frame,
    *,
    radius_px: float | None = None,
    phase_angle_rad: float = 0.0,
    surface: Surface = Surface.DUST,
) -> Disc:
    """Return the disc in a frame.

    Parameters
    ----------
    frame : Frame
        A mosaic (``bayer_pattern``) is binned 2 x 2 first; places are of the full frame.
    radius_px : float, optional
        Expected radius (px), from the body's angular radius and the plate scale; found discs
        agree with it to 15 %.  Left out: any.
    phase_angle_rad : float
        Angle Sun - body - place; where it is over 14 deg only the lit half's limb is used.
    surface : Surface
        How the body scatters light; matters where the phase does.

    Raises
    ------
    MeasurementError
        ``no_disc``: nothing round; ``unsure_disc``: something that could be one, but no limb
        that a centre could be trusted to; ``several_discs``: reflections as bright as the disc.
    """
    scale = 2 if frame.bayer_pattern else 1
    picture = binned(frame.pixels, scale) if scale > 1 else frame.pixels.astype(np.float32)
    expected = radius_px / scale if radius_px is not None else None
    phase = _Phase(phase_angle_rad, surface) if phase_angle_rad > _FULL_RAD else None
    circles = _candidates(picture, expected)
    if not circles:
        raise MeasurementError(
            "no disc is in the picture",
            remedy="Point at it, focus, and choose an exposure that shows its edge.",
            code="no_disc",
        )
    full = None if frame.saturation is None else 0.98 * frame.saturation * scale**2
    trouble: MeasurementError | None = None
    found: list[tuple[float, Disc]] = []
    for circle in circles:
        try:
            found.append(_measured(picture, circle, expected, phase, full))
        except MeasurementError as error:
            trouble = trouble or error
    if not found:
        raise trouble or AssertionError("a circle is measured or refused")
    found.sort(key=lambda one: -one[0])
    _refuse_twins(found)
    best = found[0][1]
    if phase is None:
        reach_px = math.sqrt(best.radius_px * max(best.edge_px, 1.0))
        soft_px = _SOFT_LIMB * phase_angle_rad * reach_px
        best = replace(best, covariance_px2=best.covariance_px2 + np.eye(2) * soft_px**2)
    return _of_full_frame(best, scale)


def _candidates(picture: Image, expected: float | None) -> list[Circle]:
    """Return rough circles of the full picture, from smaller copies of it."""
    side = max(picture.shape)
    if expected is not None:
        steps = [max(1, round(expected / _SEARCH_RADIUS_PX))]
        least, largest = (expected * (1.0 + sign * _RADIUS_WITHIN) for sign in (-1.0, 1.0))
    else:
        steps = sorted({max(1, side // _SEARCH_SIDE_PX), max(1, side // (3 * _SEARCH_SIDE_PX))})
        steps.reverse()
        least, largest = SMALLEST_RADIUS_PX, math.inf
    circles: list[Circle] = []
    for step in steps:
        small = binned(picture, step) if step > 1 else picture
        slack = 1.0  # a rough radius is good to a pixel of the small copy
        circles += [
            Circle(
                x_px=circle.x_px * step + 0.5 * (step - 1),
                y_px=circle.y_px * step + 0.5 * (step - 1),
                radius_px=circle.radius_px * step,
                score=circle.score * step,
            )
            for circle in find_circles(
                small,
                least_px=max(least / step - slack, 2.5),
                largest_px=largest / step + slack,
            )
        ]
    return sorted(circles, key=lambda circle: -circle.score)[:6]


@dataclass(frozen=True, slots=True)
class _Phase:
    angle_rad: float
    surface: Surface

    @property
    def half_rad(self) -> float:
        return _LIT_HALF_RAD if self.angle_rad < _CRESCENT_RAD else _CRESCENT_HALF_RAD


@dataclass(frozen=True, slots=True)
class _Followed:
    """A limb followed to its circle."""

    points: LimbPoints
    fit: CircleFit
    edge: float
    bright: float | None

    @property
    def circle(self) -> tuple[float, float, float]:
        return self.fit.x, self.fit.y, self.fit.radius


def _follow(
    limb: Limb, start: tuple[float, float, float], window: float, edge: float, half: float | None
) -> _Followed:
    """Return the limb near a circle, ever closer."""
    circle = start
    followed: _Followed | None = None
    for _ in range(_ROUNDS):
        bright = limb.brightest_way(*circle) if half is not None else None
        points = limb.points(circle, window=window, edge=edge, toward=bright, half=half or math.pi)
        if points.angle.size < 12:
            raise _unsure("too little of an edge shows")
        fit = fit_circle(points, circle)
        circle = fit.x, fit.y, fit.radius
        if not (math.isfinite(fit.x) and fit.radius > 0.5 * start[2]):
            raise _unsure("its edge is no circle")
        followed = _Followed(points, fit, edge, bright)
        edge = limb.edge_width(points, fit, window)
        window = min(window, max(5.0, 5.0 * edge, 4.0 * fit.scatter))
    if followed is None:
        raise AssertionError("there is always a round")
    return followed


def _measured(
    picture: Image, rough: Circle, expected: float | None, phase: _Phase | None, full: float | None
) -> tuple[float, Disc]:
    """Return how strong a limb is (its brightness step times its length) and its disc."""
    limb = Limb(picture=picture)
    start = rough.x_px, rough.y_px, rough.radius_px
    followed = _follow(
        limb,
        start,
        max(6.0, 0.12 * start[2]),
        max(1.0, 0.02 * start[2]),
        phase.half_rad if phase else None,
    )
    points, fit, edge = followed.points, followed.fit, followed.edge
    (x, y, radius), covariance = followed.circle, np.array(fit.covariance[:3, :3])
    covariance += np.eye(3) * _FLOOR_PX**2
    if phase is not None:
        (x, y, radius), unsure = _without_phase(followed, phase, picture.shape)
        covariance += unsure
    arc = fit.used / points.all_round
    if radius < SMALLEST_RADIUS_PX * 0.9:
        raise _unsure("it is too small for a fit to its edge")
    if expected is not None and abs(radius / expected - 1.0) > _RADIUS_WITHIN:
        raise _unsure(f"its radius is {radius:.0f} px where {expected:.0f} px are expected")
    if arc < _LEAST_ARC or fit.used < (_LEAST_PART_LIT if phase else _LEAST_PART) * (
        points.looked_at
    ):
        raise _unsure("only broken pieces of its edge are round")
    largest = (
        max(_LARGEST_SCATTER_LIT_PX, _LARGEST_SCATTER_LIT_PART * radius)
        if phase
        else max(_LARGEST_SCATTER_PX, _LARGEST_SCATTER_PART * radius)
    )
    if fit.scatter > largest:
        raise _unsure("its edge is ragged")
    if points.signal < _LEAST_SIGNAL or edge > max(_WIDEST_EDGE * radius, 3.0):
        raise _unsure("its edge is faint or blurred")
    disc = Disc(
        x_px=x,
        y_px=y,
        covariance_px2=covariance[:2, :2],
        radius_px=radius,
        radius_sigma_px=math.sqrt(float(covariance[2, 2])),
        arc=arc,
        scatter_px=fit.scatter,
        edge_px=edge,
        saturated_fraction=limb.saturated(x, y, radius, full),
        cut=Cut.WHOLE if limb.holds(x, y, radius) else Cut.PARTIAL,
        limb_points=fit.used,
    )
    if disc.sigma_px > max(_LARGEST_SIGMA_PX, 0.005 * radius):
        raise _unsure(f"its centre is known to {disc.sigma_px:.1f} px only")
    return points.step * arc * radius, disc


def _without_phase(
    followed: _Followed, phase: _Phase, shape: tuple[int, ...]
) -> tuple[tuple[float, float, float], Array]:
    """Return the circle less what the phase did to its measure, and how unsure that is.

    Behind the limb the light falls off toward the terminator, and the more so toward the horns:
    the steepest fall is not quite at the limb.  A drawn globe measured in the same way tells by
    how much; one that scatters light in the other way, how far real surfaces may differ.
    """
    measured = np.array(followed.circle)
    true, blur = measured, followed.edge

    def shift(surface: Surface) -> tuple[Array, float]:
        circle = float(true[0]), float(true[1]), float(true[2])
        drawn = lit_globe(
            (shape[0], shape[1]),
            circle,
            phase_angle_rad=phase.angle_rad,
            toward_light_rad=followed.bright or 0.0,
            surface=surface,
            blur_px=blur,
        )
        window = max(5.0, 5.0 * followed.edge)
        again = _follow(Limb(picture=drawn), circle, window, followed.edge, phase.half_rad)
        return np.array(again.circle) - true, again.edge

    moved = np.zeros(3)
    for _ in range(_PHASE_ROUNDS):
        moved, edge = shift(phase.surface)
        blur *= min(max(followed.edge / edge, 0.5), 2.0)
        true = measured - moved
    other, _ = shift(next(surface for surface in Surface if surface is not phase.surface))
    between, unknown = 0.5 * (other - moved), _LAW_UNKNOWN * moved
    unsure = np.outer(between, between) + np.outer(unknown, unknown)
    return (float(true[0]), float(true[1]), float(true[2])), unsure


def _refuse_twins(found: list[tuple[float, Disc]]) -> None:
    """Refuse where another disc, elsewhere, is about as bright."""
    strength, best = found[0]
    for other_strength, other in found[1:]:
        apart = math.hypot(best.x_px - other.x_px, best.y_px - other.y_px)
        if apart > 0.2 * best.radius_px and other_strength > _ALIKE * strength:
            raise MeasurementError(
                "there are several discs of about the same brightness",
                remedy="Find out which is the reflection: tilt the filter a little, or move the "
                "telescope until one stays and the other does not.",
                code="several_discs",
            )


def _unsure(why: str) -> MeasurementError:
    return MeasurementError(
        f"something round is in the picture, but {why}",
        remedy="Wait for the cloud, focus, change the exposure or bring it to the middle.",
        code="unsure_disc",
    )


def _of_full_frame(disc: Disc, scale: int) -> Disc:
    if scale == 1:
        return disc
    return Disc(
        x_px=disc.x_px * scale + 0.5 * (scale - 1),
        y_px=disc.y_px * scale + 0.5 * (scale - 1),
        covariance_px2=disc.covariance_px2 * scale**2,
        radius_px=disc.radius_px * scale,
        radius_sigma_px=disc.radius_sigma_px * scale,
        arc=disc.arc,
        scatter_px=disc.scatter_px * scale,
        edge_px=disc.edge_px * scale,
        saturated_fraction=disc.saturated_fraction,
        cut=disc.cut,
        limb_points=disc.limb_points,
    )
