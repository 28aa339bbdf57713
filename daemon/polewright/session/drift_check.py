"""The drift check: where the axis points, from how a target wanders off while the mount tracks.

Nothing is slewed and no survey is needed.  It is a work of its own, not a way of adjusting: its
answer comes over minutes, and a bolt that is turned meanwhile spoils it.
"""

import asyncio
import logging
import math
from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np

from polewright.core.axis.bolts import level_bolts, turns_between
from polewright.core.axis.correction import Correction, Verdict, correct
from polewright.core.axis.drift import DriftEstimate
from polewright.core.axis.drift_words import progress_words
from polewright.core.axis.estimate import Method
from polewright.core.errors import MeasurementError
from polewright.core.sky.observed import pole_enu
from polewright.session.aim import Aim
from polewright.session.drift_sources import BodyDrift, FieldDrift
from polewright.session.following import LiveCorrection, validity_s
from polewright.session.known_axis import KnownAxis
from polewright.session.live_telling import LiveTelling
from polewright.session.messages import Message
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# What is known of the axis before: that somebody has set it toward the pole (rad, one sigma).
PRIOR_RAD = math.radians(2.0)
USUAL_MINUTES = 20.0
# Frames closer together than this tell little more (s): the air lasts longer.
_PAUSE_S = 3.0
_PAUSE_AFTER_FAILURE_S = 2.0
# Less than this of tracking is not told as a figure (s).
_FIRST_TOLD_S = 20.0


class DriftSource(Protocol):
    """Looks at a target that is tracked, time after time."""

    doing: str

    async def look(self) -> float:
        """Look once, and return when the look had arrived (monotonic s).

        Raises
        ------
        MeasurementError
            This look says nothing.
        """
        ...

    def estimate(self) -> DriftEstimate | None:
        """Return the axis as far as it shows."""
        ...


async def check_drift(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Tell the axis from drift, ever surer, until both components are sure or time is over.

    Raises
    ------
    UsageError
        ``no_sights``: by day a sight is needed before.
    MeasurementError
        ``not_tracking``, ``too_few_frames``.
    SafetyError
        ``no_solar_filter``, ``filter_on``.
    DeviceError, LinkError
        From camera and mount.
    """
    memory, place = work.memory, work.devices.place
    by_bodies = arguments.get("by") == Method.BODIES.value
    await _refuse_standing(work)
    memory.wishes = memory.wishes.asked(arguments)
    prior = np.eye(2) * PRIOR_RAD**2
    pole = pole_enu(place, refracted=True)
    source: DriftSource
    if by_bodies:
        source = BodyDrift(work, pole, prior)
    else:
        source = await FieldDrift.begin(work, pole, prior, arguments.get("exposure_s"))
    before = memory.axis
    check = _Check(work, source, float(arguments.get("minutes") or USUAL_MINUTES))
    try:
        final = await check.run()
    finally:
        memory.axis = _better(before, memory.axis, work)
    return check.result(final)


class _Check:
    """One drift check, from its first look to its words."""

    def __init__(self, work: Workplace, source: DriftSource, minutes: float) -> None:
        self._work = work
        self._source = source
        self._until_s = work.clock.monotonic() + 60.0 * minutes
        self._telling = LiveTelling(work, source.doing)
        self._aim = Aim(work.memory, work.devices.place)
        self._aim()  # refuses before anything is looked at
        self._sequence = 0
        self._words = ""
        self._last_good_s = work.clock.monotonic()

    async def run(self) -> Correction:
        """Look until the axis is sure, and return what it comes to."""
        clock = self._work.clock
        self._telling.step(self._source.doing)
        last: Correction | None = None
        while True:
            began_s = clock.monotonic()
            try:
                arrived_s = await self._source.look()
            except MeasurementError as failure:
                self._telling.trouble(failure, clock.monotonic() - self._last_good_s)
                await clock.sleep(_PAUSE_AFTER_FAILURE_S)
            else:
                self._last_good_s = arrived_s
                estimate = await asyncio.to_thread(self._source.estimate)
                if estimate is not None and estimate.duration_s >= _FIRST_TOLD_S:
                    last = self._tell(estimate, began_s, arrived_s)
                    sure = 2.0 * estimate.sigma_rad <= self._aim()[1]
                    if sure or last.verdict is Verdict.GOOD_ENOUGH:
                        return last
                await clock.sleep(_PAUSE_S)
            if clock.monotonic() >= self._until_s:
                break
        if last is None:
            raise MeasurementError(
                "no drift was seen in the time given",
                remedy="Look at the camera's picture: stars, or the body, must be in it; give it "
                "some minutes.",
                code="too_few_frames",
            )
        return last

    def result(self, final: Correction) -> Message:
        """Return how the check ended."""
        return {
            "verdict": final.verdict.value,
            "method": Method.DRIFT.value,
            "total_error_arcmin": round(final.total_error_arcmin, 4),
            "total_error_sigma_arcmin": round(final.total_error_sigma_arcmin, 4),
            "altitude_words": final.altitude_words,
            "azimuth_words": final.azimuth_words,
            "advice": self._words,
        }

    def _tell(self, estimate: DriftEstimate, began_s: float, arrived_s: float) -> Correction:
        clock = self._work.clock
        axis = estimate.axis_enu
        target_enu, tolerance_rad = self._aim()
        correction = correct(
            axis,
            estimate.covariance_rad2,
            target_enu,
            tolerance_rad=tolerance_rad,
            bolt_turns=turns_between(level_bolts(axis), axis, target_enu),
        )
        words = progress_words(estimate, 0.5 * tolerance_rad)
        if words != self._words:
            self._words = words
            _log.info("drift over %.1f min: %s", estimate.duration_s / 60.0, words)
        self._telling.say(f"{self._source.doing}: {words}")
        self._sequence += 1
        self._telling.correction(
            LiveCorrection(
                correction=correction,
                sequence=self._sequence,
                frame_age_s=max(0.0, clock.monotonic() - arrived_s),
                latency_ms=1000.0 * (clock.monotonic() - arrived_s),
                valid_s=validity_s(clock.monotonic() - began_s + _PAUSE_S),
                method=Method.DRIFT,
            )
        )
        return correction


async def _refuse_standing(work: Workplace) -> None:
    mount = work.devices.mount
    if mount is None:
        return
    if (await mount.status()).tracking is False:
        raise MeasurementError(
            f"{mount.name} does not track, so the sky's own motion would pass for a drift",
            remedy="Point it at a target, switch tracking on (sidereal), guiding off, and start "
            "again.",
            code="not_tracking",
        )


def _better(before: KnownAxis | None, after: KnownAxis | None, work: Workplace) -> KnownAxis | None:
    """Return which axis to believe: a survey of this evening is not put aside for a rough drift."""
    if before is None or after is None or not before.holds(work.clock.now()):
        return after

    def size(axis: KnownAxis) -> float:
        return float(np.trace(axis.covariance_rad2))

    return after if size(after) < size(before) else before
