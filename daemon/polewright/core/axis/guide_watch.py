"""Guide watch: whether the axis moved, from where a guide star would stand had nobody corrected.

A bump shows as a jump larger than a dither.  A slow change shows in the trend along declination:
the drift that the believed axis makes is known, what differs from it is another axis, or a guide
camera that sags; so a trend counts only beyond what sags commonly.
"""

import math
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.axis_moved import EARLIER_IN_ORDER, AxisMoved, Evidence, WatchLimits
from polewright.core.axis.drift import DriftTrack, Wander, solve_drift
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.geometry.directions import ARCSEC_RAD, cross, sky_tangents, unit
from polewright.core.geometry.rotations import Vector

Array = NDArray[np.float64]

# Offsets are gathered over so long (s); a trend is judged over so many of these, and from so many.
_GATHER_S = 20.0
_MOST = 90
_FEWEST = 30
_JUDGED_EVERY = 15
# Newest offsets that must agree on a jump, and those before.
_AFTER, _BEFORE = 3, 12
# Sag between guide camera and mount, 15 arcsec an hour, passes for an axis off by this (rad).
_SAG_RAD = 15.0 / 3600.0 * ARCSEC_RAD / SIDEREAL_RATE_RAD_S
_WIDE_RAD = math.radians(1.0)
_SILENT_S = 120.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GuideStar:
    """Where a guide star would stand at an instant had nobody corrected.

    ``north_rad`` along declination, from any fixed point; ``direction_enu`` where it stands over
    the ground (None: not known); ``left_alone`` as in ``Seen``; ``anew``: a dither, another star.
    """

    instant: datetime
    north_rad: float
    direction_enu: Vector | None = None
    left_alone: bool | None = None
    anew: bool = False


@dataclass(slots=True, kw_only=True)
class GuideWatch:
    """Takes offset after offset, and says when the axis moved."""

    axis_enu: Vector
    covariance_rad2: Array
    south: bool
    limits: WatchLimits = field(default_factory=WatchLimits)
    jumps: int = 0
    _recent: list[GuideStar] = field(default_factory=list)
    _heap: list[GuideStar] = field(default_factory=list)
    _gathered: list[Wander] = field(default_factory=list)
    _unjudged: int = 0
    _earlier: list[GuideStar] = field(default_factory=list)

    def see(self, star: GuideStar) -> AxisMoved | None:
        """Take one more offset, and return what it shows; None where nothing moved."""
        last = self._recent[-1] if self._recent else None
        if last is not None and star.instant <= last.instant:
            self._note_earlier(star)
            return None
        self._earlier = []
        silent = last and (star.instant - last.instant).total_seconds() > _SILENT_S
        if star.anew or star.left_alone is False or silent:
            self.begin()
        self._recent = [*self._recent[-(_AFTER + _BEFORE) :], star]
        found = self._jumped()
        if found is not None:
            self.begin()
            return found
        self._gather(star)
        return self._trend()

    def _note_earlier(self, star: GuideStar) -> None:
        """Pass over an offset that comes late; many in order say that a clock was set back."""
        if self._earlier and star.instant <= self._earlier[-1].instant:
            self._earlier = []
        self._earlier.append(star)
        if len(self._earlier) >= EARLIER_IN_ORDER:
            self.begin()
            self._recent, self._earlier = self._earlier, []

    def begin(self) -> None:
        """Begin anew: another star, or another place of the same."""
        self._recent, self._heap, self._gathered, self._unjudged = [], [], [], 0

    def _gather(self, star: GuideStar) -> None:
        if star.direction_enu is None:
            return
        self._heap.append(star)
        first = self._heap[0]
        if (star.instant - first.instant).total_seconds() < _GATHER_S:
            return
        middle = self._heap[len(self._heap) // 2]
        direction = middle.direction_enu
        if direction is not None:
            norths = [one.north_rad for one in self._heap]
            sigma = max(float(np.std(norths)) / math.sqrt(len(norths)), 0.1 * ARCSEC_RAD)
            wander = Wander(
                instant=middle.instant,
                direction_enu=direction,
                west_rad=0.0,
                north_rad=float(np.median(norths)),
                sigma_rad=sigma,
            )
            self._gathered = [*self._gathered[-_MOST + 1 :], wander]
            self._unjudged += 1
        self._heap = []

    def _jumped(self) -> AxisMoved | None:
        if len(self._recent) < _AFTER + 3:
            return None
        north = np.array([one.north_rad for one in self._recent])
        before, after = north[:-_AFTER], north[-_AFTER:]
        steps = after - float(np.median(before))
        change = float(np.median(steps))
        scatter = float(np.median(np.abs(np.diff(before)))) / 0.95 if before.size > 3 else 0.0
        enough = max(
            self.limits.dither_rad, self.limits.least_rad, self.limits.sigmas * scatter
        )  # fmt: skip
        if float(np.min(steps * math.copysign(1.0, change))) < enough:
            return None
        star = self._recent[-1]
        if star.left_alone is not True or star.direction_enu is None:
            self.jumps += 1
            self.begin()
            return None
        sigma = max(scatter, self.limits.dither_rad / math.sqrt(12.0))
        return self._moved(
            Evidence.GUIDE_JUMP, star.direction_enu, change, sigma, abs(change) / sigma,
            self._recent[-_AFTER - 1].instant,
        )  # fmt: skip

    def _moved(
        self, evidence: Evidence, direction: Vector, north_rad: float, sigma_rad: float,
        significance: float, since: datetime,
    ) -> AxisMoved:  # fmt: skip
        """Return the move of the axis for a star that went north by so much."""
        north_end = -self.axis_enu if self.south else self.axis_enu
        declination = unit(cross(north_end, direction))
        across = cross(declination, north_end)
        # A turn about the declination axis takes the star the other way.
        columns = np.array(
            [
                [tangent @ cross(way, self.axis_enu) for way in (-declination, across)]
                for tangent in sky_tangents(self.axis_enu)
            ]
        )
        spread = columns @ np.diag([sigma_rad, 60.0 * ARCSEC_RAD])
        return AxisMoved(
            evidence=evidence,
            move_rad=columns @ np.array([north_rad, 0.0]),
            covariance_rad2=spread @ spread.T,
            significance=significance,
            since=since,
        )

    def _trend(self) -> AxisMoved | None:
        """Compare the axis that the drift shows with the believed one, where it shows best."""
        if self._unjudged < _JUDGED_EVERY or len(self._gathered) < _FEWEST:
            return None
        self._unjudged = 0
        estimate = solve_drift(
            [DriftTrack(wanders=self._gathered)],
            self.axis_enu,
            np.eye(2) * _WIDE_RAD**2,
            south=self.south,
        )
        tangents = np.array(sky_tangents(self.axis_enu))
        off = tangents @ (estimate.axis_enu - self.axis_enu)
        way = np.array(estimate.best_direction)
        change = float(way @ off)
        sigma = math.sqrt(
            estimate.best_sigma_rad**2 + float(way @ self.covariance_rad2 @ way) + _SAG_RAD**2
        )
        if abs(change) < max(self.limits.least_rad, self.limits.sigmas * sigma):
            return None
        other = np.array([-way[1], way[0]])
        found = AxisMoved(
            evidence=Evidence.GUIDE_TREND,
            move_rad=change * way,
            covariance_rad2=sigma**2 * np.outer(way, way)
            + (60.0 * ARCSEC_RAD) ** 2 * np.outer(other, other),
            significance=abs(change) / sigma,
            since=self._gathered[0].instant,
        )
        self.begin()
        return found
