"""Axis watch: whether the polar axis still stands where it stood, judged from frames of imaging.

Every frame may be dithered, sent elsewhere or flipped: two of its three turns over the ground,
about the polar axis and about the declination axis, say nothing of a tripod.  The third, across
both, no motor of the mount can make.  Within one target it is evidence by itself: what it shows
beyond noise is a camera or a tripod that turned.  A jump along declination is evidence only where
the mount says that nobody sent it, and where it is larger than a dither.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.axis_moved import (
    EARLIER_IN_ORDER,
    AxisMoved,
    Evidence,
    Seen,
    WatchLimits,
)
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.geometry.directions import ARCSEC_RAD, cross, sky_tangents, unit
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    rotation_from_vector,
    vector_from_rotation,
)

Array = NDArray[np.float64]

# Farther off along the mount's axes is another target; more roll is a camera that was turned.
_ELSEWHERE_RAD = math.radians(0.3)
_CAMERA_TURNED_RAD = math.radians(0.5)
# The newest frames that must agree, and those before that they are held against.
_AFTER = (2, 3)
_MOST_BEFORE = 10
# Of fewer before, one that was solved wrongly would pass for the level.
_FEWEST_BEFORE = 3
# A slow change is judged by so many frames at both ends, this far apart in time at least (s).
_ENDS = 4
_CREEP_FROM_S = 900.0
# Each of the newest frames must show at least this part of the whole change.
_EACH_PART = 0.5
# Sag, heat and focus turn a camera on its tube by this much in an hour, and no tripod (arcsec).
_FLEXURE_RAD_S = 15.0 * ARCSEC_RAD / 3600.0
_ROLL_FLOOR_RAD = 3.0 * ARCSEC_RAD
_MOST_KEPT = 400
# A jump needs so many sigmas along declination by itself; and two figures together exceed by chance
# what one does: by so much at the same probability, near 5 sigmas.
_JUMP_SIGMAS = 3.5
_FOR_TWO = 0.3
# What is not measured of a bump is of the size of bumps (one sigma).
_UNSEEN_RAD = 60.0 * ARCSEC_RAD


@dataclass(slots=True, kw_only=True)
class AxisWatch:
    """Takes frame after frame, and says when the axis moved.

    Attributes
    ----------
    axis_enu, covariance_rad2 : ndarray
        The elevated end as it is believed, and its covariance across (rad^2).
    south : bool
        Whether that is the southern end.
    limits : WatchLimits
        When to raise an alarm.
    """

    axis_enu: Vector
    covariance_rad2: Array
    south: bool
    limits: WatchLimits = field(default_factory=WatchLimits)
    jumps: int = 0
    _frames: list[Seen] = field(default_factory=list)
    _wander: list[Array] = field(default_factory=list)
    _basis: Matrix = field(default_factory=lambda: np.eye(3))
    _reference: Matrix = field(default_factory=lambda: np.eye(3))
    _away: list[Seen] = field(default_factory=list)
    _earlier: list[Seen] = field(default_factory=list)

    def see(self, seen: Seen) -> AxisMoved | None:
        """Take one more frame, and return what it shows; None where nothing moved.

        ``jumps`` counts steps along declination that nobody can vouch for: larger than a dither,
        and no mount to say whether it was sent.
        """
        if self._frames:
            last = self._frames[-1].observed
            if seen.observed.instant <= last.instant:
                self._note_earlier(seen)
                return None
            self._earlier = []
            # One frame far off may be solved wrongly; two in a row are another target.
            wander = self._wander_of(seen.observed)
            if self._is_elsewhere(wander):
                return self._elsewhere(seen)
            self._away = []
            self._frames.append(seen)
            self._wander.append(wander)
            if len(self._frames) > _MOST_KEPT:
                # Every other one of the older half tells a slow change as well.
                half = _MOST_KEPT // 2
                self._frames[:half] = self._frames[:half:2]
                self._wander[:half] = self._wander[:half:2]
            found = self._turned() or self._jumped() or self._crept()
            if found is not None:
                self._believe(found)
            return found
        self._begin(seen)
        return None

    def _note_earlier(self, seen: Seen) -> None:
        """Pass over a frame that comes late; many in order say that a clock was set back.

        Then all before is of another time, and it is gone on from them.
        """
        if self._earlier and seen.observed.instant <= self._earlier[-1].observed.instant:
            self._earlier = []
        self._earlier.append(seen)
        if len(self._earlier) >= EARLIER_IN_ORDER:
            self._go_on_from(self._earlier)

    def _elsewhere(self, seen: Seen) -> AxisMoved | None:
        """Take a frame that shows another place: a go-to, unless the mount was left alone."""
        if seen.left_alone is not True:
            self._begin(seen)
            return None
        self._away.append(seen)
        if len(self._away) < 2:
            return None
        # Two frames agree, and nobody sent the mount: something large moved.
        away = [self._wander_of(one.observed) for one in self._away]
        step = np.mean(away, axis=0) - np.median(self._wander[-5:], axis=0)
        agrees = np.max(np.abs(away[1] - away[0])[1:]) < 0.2 * float(np.hypot(*step[1:]))
        found = None
        # A turn across alone is a camera that was turned, one about the axis a clutch that slipped.
        if agrees and abs(step[1]) > max(self.limits.dither_rad, self.limits.least_rad):
            sigma = self.limits.dither_rad / math.sqrt(12.0)
            found = self._moved_by(
                Evidence.JUMP, step[1:], (sigma, self._noise_rad()), abs(float(step[1])) / sigma,
                self._frames[-1].observed.instant,
            )  # fmt: skip
        first, second = self._away
        if found is not None:
            self._believe(found)
        self._begin(first)
        self._wander.append(self._wander_of(second.observed))
        self._frames.append(second)
        return found

    def _begin(self, seen: Seen) -> None:
        self._away, self._earlier = [], []
        self._frames, self._wander = [seen], [np.zeros(3)]
        self._reference = np.asarray(seen.observed.enu_from_camera)
        north_end = self._north_end
        declination = unit(cross(north_end, self._reference[:, 0]))
        self._basis = np.array([north_end, declination, cross(declination, north_end)])

    @property
    def _north_end(self) -> Vector:
        return np.asarray(-self.axis_enu if self.south else self.axis_enu)

    def _wander_of(self, observed: ObservedAttitude) -> Array:
        """Return the turns about axis, declination axis and across, since the first frame."""
        elapsed_s = (observed.instant - self._frames[0].observed.instant).total_seconds()
        back = rotation_from_vector(self._north_end * (SIDEREAL_RATE_RAD_S * elapsed_s))
        turned = back @ observed.enu_from_camera @ self._reference.T
        return np.asarray(self._basis @ vector_from_rotation(turned))

    def _is_elsewhere(self, wander: Array) -> bool:
        change = np.abs(wander - np.median(self._wander[-5:], axis=0))
        return bool(max(change[:2]) > _ELSEWHERE_RAD or change[2] > _CAMERA_TURNED_RAD)

    def _times(self) -> Array:
        start = self._frames[0].observed.instant
        return np.array([(one.observed.instant - start).total_seconds() for one in self._frames])

    def _noise_rad(self) -> float:
        """Return the sigma of the turn across, of one frame: the stars', or the scatter if more."""
        row = self._basis[2] @ self._reference
        variances = [row @ one.observed.covariance_camera_rad2 @ row for one in self._frames[-20:]]
        stars = math.sqrt(float(np.median(variances)) + _ROLL_FLOOR_RAD**2)
        across = np.array([one[2] for one in self._wander[-20:]])
        if across.size < 6:
            return stars
        # The median of neighbours' differences: a bump is one of them, and does not count.
        steps = np.median(np.abs(np.diff(across))) / 0.6745 / math.sqrt(2.0)
        return max(stars, float(steps))

    def _model_variance(self, apart_s: float) -> float:
        """Return what the axis's own uncertainty and flexure do over a time (rad^2)."""
        axis = float(np.linalg.eigvalsh(self.covariance_rad2)[-1])
        return (
            SIDEREAL_RATE_RAD_S * apart_s
        ) ** 2 * axis + (_FLEXURE_RAD_S * apart_s) ** 2  # fmt: skip

    def _turned(self) -> AxisMoved | None:
        """Judge the newest frames' turn across against those before."""
        across = np.array([one[2] for one in self._wander])
        times = self._times()
        noise = self._noise_rad()
        for newest in _AFTER:
            before = slice(max(0, across.size - newest - _MOST_BEFORE), across.size - newest)
            count = before.stop - before.start
            if count < _FEWEST_BEFORE:
                continue
            level = float(np.median(across[before]))
            steps = across[-newest:] - level
            change = float(np.median(steps))
            apart_s = float(np.mean(times[-newest:]) - np.mean(times[before]))
            # A median is 1.25 times as uncertain as a mean.
            variance = noise**2 * 1.57 * (1.0 / newest + 1.0 / count)
            sigma = math.sqrt(variance + self._model_variance(apart_s))
            # Of two frames one may be solved wrongly: the lesser counts.
            least = change if newest > 2 else math.copysign(float(np.min(np.abs(steps))), change)
            found = self._significant(least, sigma)
            if found and np.all(steps * math.copysign(1.0, change) > _EACH_PART * abs(change)):
                return self._moved(Evidence.TURN, newest, change, sigma, found, before)
        return None

    def _crept(self) -> AxisMoved | None:
        """Judge the last frames' turn across against the first ones of this target."""
        if len(self._frames) < 2 * _ENDS:
            return None
        times = self._times()
        apart_s = float(np.mean(times[-_ENDS:]) - np.mean(times[:_ENDS]))
        if apart_s < _CREEP_FROM_S:
            return None
        across = np.array([one[2] for one in self._wander])
        change = float(np.median(across[-_ENDS:]) - np.median(across[:_ENDS]))
        noise = self._noise_rad()
        sigma = math.sqrt(noise**2 * 2.0 * 1.57 / _ENDS + self._model_variance(apart_s))
        if not (found := self._significant(change, sigma)):
            return None
        return self._moved(Evidence.CREEP, _ENDS, change, sigma, found, slice(0, _ENDS))

    def _significant(self, change: float, sigma: float) -> float | None:
        ratio = abs(change) / sigma
        enough = abs(change) >= self.limits.least_rad and ratio >= self.limits.sigmas
        return ratio if enough else None

    def _jumped(self) -> AxisMoved | None:
        """Judge a step along declination: the newest three frames against those before."""
        count = len(self._frames)
        # From the frame on that was taken after the mount was sent last.
        sent = [n for n, one in enumerate(self._frames) if one.left_alone is False]
        before = slice(max([0, count - 3 - _MOST_BEFORE, *sent[-1:]]), count - 3)
        if before.stop - before.start < _FEWEST_BEFORE:
            return None
        along = np.array([one[1] for one in self._wander])
        steps = along[-3:] - float(np.median(along[before]))
        change = float(np.median(steps))
        # Dithers lie evenly within half their largest step; medians of three and of many.
        dither = self.limits.dither_rad / math.sqrt(12.0)
        sigma = dither * math.sqrt(0.6 + 1.57 / (before.stop - before.start))
        each = steps * math.copysign(1.0, change) > _EACH_PART * abs(change)
        # What turned across at the same time counts with it: a bump does both.
        across = np.array([one[2] for one in self._wander])
        turned = float(np.median(across[-3:]) - np.median(across[before]))
        noise = self._noise_rad() * math.sqrt(
            1.57 * (1.0 / 3.0 + 1.0 / (before.stop - before.start))
        )
        found = math.hypot(change / sigma, turned / noise) - _FOR_TWO
        if (
            abs(change) < max(self.limits.least_rad, _JUMP_SIGMAS * sigma)
            or found < self.limits.sigmas
            or not np.all(each)
        ):
            return None
        if any(one.left_alone is None for one in self._frames[-3:]):
            self.jumps += 1
            self._rebase(3)
            return None
        return self._moved(Evidence.JUMP, 3, 0.0, self._noise_rad(), found, before, along=change)

    def _moved(
        self,
        evidence: Evidence,
        newest: int,
        across_rad: float,
        sigma_rad: float,
        significance: float,
        before: slice,
        *,
        along: float | None = None,
    ) -> AxisMoved:
        """Return the axis's own move from the turns about the declination axis and across."""
        alone = all(one.left_alone is True for one in self._frames[-newest:])
        turns = np.array([one[1:] for one in self._wander])
        step = np.median(turns[-newest:], axis=0) - np.median(turns[before], axis=0)
        if evidence is Evidence.JUMP:
            across_rad = float(step[1])
        # A guider may have undone what went along declination: no step there says nothing then.
        seen = evidence is Evidence.JUMP or (alone and abs(step[0]) > self.limits.dither_rad)
        seen = seen and evidence is not Evidence.CREEP
        declination_rad = along if along is not None else float(step[0]) if seen else 0.0
        # What may have been sent, dithered or pulled back says nothing of the axis.
        declination_sigma = max(_UNSEEN_RAD, abs(float(step[0])))
        if seen:
            declination_sigma = self.limits.dither_rad / math.sqrt(12.0)
        return self._moved_by(
            evidence, np.array([declination_rad, across_rad]), (declination_sigma, sigma_rad),
            significance, self._frames[before][-1].observed.instant,
        )  # fmt: skip

    def _moved_by(
        self,
        evidence: Evidence,
        turns: Array,
        sigmas: tuple[float, float],
        significance: float,
        since: datetime,
    ) -> AxisMoved:
        """Return what turns about the declination axis and across do to the polar axis."""
        # The mount has carried both directions on since the first frame.  A turn w moves the axis
        # by w x axis.
        carried = rotation_from_vector(
            self._north_end * (-SIDEREAL_RATE_RAD_S * float(self._times()[-1]))
        )
        ways = [carried @ way for way in self._basis[1:]]
        columns = np.array(
            [
                [tangent @ cross(way, self.axis_enu) for way in ways]
                for tangent in sky_tangents(self.axis_enu)
            ]
        )
        spread = columns @ np.diag(sigmas)
        return AxisMoved(
            evidence=evidence,
            move_rad=columns @ turns,
            covariance_rad2=spread @ spread.T,
            significance=significance,
            since=since,
        )

    def _rebase(self, newest: int) -> None:
        """Go on from the newest frames only."""
        self._go_on_from(self._frames[-newest:])

    def _go_on_from(self, kept: Sequence[Seen]) -> None:
        self._begin(kept[0])
        for one in kept[1:]:
            self._wander.append(self._wander_of(one.observed))
            self._frames.append(one)

    def _believe(self, moved: AxisMoved) -> None:
        """Go on from where the axis is now, as far as that is known."""
        step = moved.move_rad
        sideways, upward = sky_tangents(self.axis_enu)
        self.axis_enu = unit(self.axis_enu + step[0] * sideways + step[1] * upward)
        self.covariance_rad2 = self.covariance_rad2 + moved.covariance_rad2
        self._rebase(min(2, len(self._frames)))
