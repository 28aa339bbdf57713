"""Knob reports: what the person says of a knob, matched with what the axis did meanwhile."""

import asyncio
import logging
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from polewright.core.axis.bolts import BoltTurns
from polewright.core.axis.knobs import (
    Bolt,
    Knob,
    KnobAdvice,
    after_rest,
    after_turn,
    turns_for,
)
from polewright.core.axis.live_filter import LiveState
from polewright.core.axis.live_pose import LivePose
from polewright.core.axis.live_steps import turns_since
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.session.messages import Message

_log = logging.getLogger(__name__)

# After a report the hands must rest within this many frames.
_MOST_FRAMES_TO_WAIT = 40
# What a bolt did is told from noise from here on (sigma).
_SEEN_SIGMAS = 3.0
# The other bolt plainly moved instead from here on (sigma).
_PLAIN_SIGMAS = 10.0

# What was learned longer ago than this is of another evening.
_EVENING = timedelta(hours=12)

_OTHER = {Bolt.ALTITUDE: Bolt.AZIMUTH, Bolt.AZIMUTH: Bolt.ALTITUDE}


@dataclass(slots=True, kw_only=True)
class _Report:
    bolt: Bolt
    turns: float
    answer: asyncio.Future[Message]
    frames: int = 0


@dataclass(slots=True)
class KnobReports:
    """What was learned of both knobs of one mount; stays over its adjustments.

    ``on_learned`` is told of every knob that a report changed.
    """

    knobs: dict[Bolt, Knob] = field(
        default_factory=lambda: {Bolt.ALTITUDE: Knob(), Bolt.AZIMUTH: Knob()}
    )
    on_learned: Callable[[Bolt, Knob], None] | None = None
    _learned_at: dict[Bolt, datetime] = field(default_factory=dict)
    _marks: dict[Bolt, LivePose] = field(default_factory=dict)
    _waiting: list[_Report] = field(default_factory=list)
    _adjusting: bool = False

    def remember(self, bolt: Bolt, knob: Knob, learned_at: datetime) -> None:
        """Take up what was known of a knob at an earlier time."""
        if knob.gain_rad is not None:
            self.knobs[bolt] = knob
            self._learned_at[bolt] = learned_at

    def begin(self, now: datetime) -> None:
        """Begin an adjustment; what was learned on another evening is believed less."""
        self._marks.clear()
        self._adjusting = True
        for bolt, learned_at in list(self._learned_at.items()):
            if not timedelta(0) <= now - learned_at <= _EVENING:
                self.knobs[bolt] = after_rest(self.knobs[bolt])
                del self._learned_at[bolt]

    def end(self) -> None:
        """End an adjustment: what waits for still hands waits in vain."""
        self._adjusting = False
        for report in self._waiting:
            if not report.answer.done():
                report.answer.set_exception(
                    MeasurementError(
                        "the adjustment ended before the turn could be measured",
                        remedy="Start it again, turn the knob and report the turn.",
                        code="no_adjustment",
                    )
                )
        self._waiting.clear()

    async def turned(self, bolt: Bolt, turns: float) -> Message:
        """Take a report and return what was learned, once the hands have rested.

        Parameters
        ----------
        bolt : Bolt
            Which knob.
        turns : float
            How far it was turned since the last report on it, clockwise positive.

        Raises
        ------
        UsageError
            ``no_adjustment``: none is running; ``no_turn``: nothing was turned.
        MeasurementError
            ``no_motion_seen``, ``other_bolt_moved``, ``still_moving``, ``no_adjustment``.
        """
        if not self._adjusting:
            raise UsageError(
                "no adjustment is running, so nobody watches what the turn does",
                remedy="Start `polewright adjust`, turn the knob, then report the turn.",
                code="no_adjustment",
            )
        if turns == 0.0 or not math.isfinite(turns):
            raise UsageError(
                "a turn of 0 teaches nothing",
                remedy="Say how far the knob was turned, clockwise positive, for example 0.25.",
                code="no_turn",
            )
        answer: asyncio.Future[Message] = asyncio.get_running_loop().create_future()
        self._waiting.append(_Report(bolt=bolt, turns=turns, answer=answer))
        return await answer

    def look(self, state: LiveState) -> None:
        """Answer what waits, where the hands rest; called after every frame."""
        for report in list(self._waiting):
            report.frames += 1
            if not (state.still and report.frames > 1) and report.frames < _MOST_FRAMES_TO_WAIT:
                continue
            self._waiting.remove(report)
            if report.answer.done():
                continue
            try:
                report.answer.set_result(self._learn(report, state))
            except MeasurementError as failure:
                report.answer.set_exception(failure)

    def advice(self, turns: BoltTurns) -> dict[Bolt, KnobAdvice | None]:
        """Return how to turn each knob, None where it is not known yet."""
        return {
            Bolt.ALTITUDE: turns_for(self.knobs[Bolt.ALTITUDE], turns.altitude_rad),
            Bolt.AZIMUTH: turns_for(self.knobs[Bolt.AZIMUTH], turns.azimuth_rad),
        }

    def _moved_last(self, state: LiveState, bolt: Bolt) -> bool:
        """Return whether the last motion was plainly of this bolt."""
        if state.pose is None or not state.stills:
            return False
        turns, spread = turns_since(state.stills[-1], state.pose)
        if bolt is Bolt.AZIMUTH:
            return abs(turns.azimuth_rad) > _PLAIN_SIGMAS * math.sqrt(spread[0, 0])
        return abs(turns.altitude_rad) > _PLAIN_SIGMAS * math.sqrt(spread[1, 1])

    def _learn(self, report: _Report, state: LiveState) -> Message:
        pose = state.pose
        if pose is None or not state.still:
            raise MeasurementError(
                "the axis kept moving, so the turn could not be measured",
                remedy="Let go of the bolts for a few seconds, then report the turn.",
                code="still_moving",
            )
        bolt = report.bolt
        before = self._marks.get(bolt) or (state.stills[0] if state.stills else pose)
        turns, spread = turns_since(before, pose)
        went = {Bolt.AZIMUTH: turns.azimuth_rad, Bolt.ALTITUDE: turns.altitude_rad}
        sigma = {Bolt.AZIMUTH: math.sqrt(spread[0, 0]), Bolt.ALTITUDE: math.sqrt(spread[1, 1])}
        seen = abs(went[bolt]) > _SEEN_SIGMAS * sigma[bolt]
        other = _OTHER[bolt]
        knob = self.knobs[bolt]
        if not seen:
            in_slack = abs(report.turns) < knob.slack_turns + 2.0 * knob.slack_sigma_turns
            if self._moved_last(state, other):
                raise MeasurementError(
                    f"the {other.value} moved, not the {bolt.value}",
                    remedy=f"Report it as a turn of the {other.value}, if that is the knob.",
                    code="other_bolt_moved",
                )
            if not in_slack:
                raise MeasurementError(
                    f"no motion of the {bolt.value} was seen",
                    remedy="Loosen its clamp, or look whether the bolt touches; turn on and "
                    "report the turn again.",
                    code="no_motion_seen",
                )
        self._marks[bolt] = pose
        knob = self.knobs[bolt] = after_turn(knob, report.turns, went[bolt], sigma[bolt])
        self._learned_at[bolt] = state.axis.instant
        if self.on_learned is not None:
            self.on_learned(bolt, knob)
        _log.info(
            "%s: %+.3f turns moved it %+.2f arcmin", bolt.value, report.turns,
            went[bolt] / ARCMIN_RAD,
        )  # fmt: skip
        return knob_message(bolt, report.turns, went[bolt], sigma[bolt], knob)


def knob_message(
    bolt: Bolt, turns: float, went_rad: float, sigma_rad: float, knob: Knob
) -> Message:
    """Return what a reported turn taught."""
    gain = None if knob.gain_rad is None else round(knob.gain_rad / ARCMIN_RAD, 3)
    return {
        "bolt": bolt.value,
        "turns": turns,
        "went_arcmin": round(went_rad / ARCMIN_RAD, 3),
        "went_sigma_arcmin": round(sigma_rad / ARCMIN_RAD, 3),
        "arcmin_per_turn": gain,
        "arcmin_per_turn_sigma": (
            None if gain is None else round(knob.gain_sigma_rad / ARCMIN_RAD, 3)
        ),
        "slack_turns": round(knob.slack_turns, 3),
        "slack_sigma_turns": round(knob.slack_sigma_turns, 3),
        "doubtful": knob.doubtful is not None,
    }
