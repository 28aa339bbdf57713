"""Simulated hands for the rehearsal: they see only what a display shows, and learn the knobs.

Like a person who does not know the mount: a small turn first, look which way and how far the
figure went, then turn by that much; and feel how much slack a thread has when the sense of
turning changes.  They know nothing of the simulator's truth.
"""

import math
from dataclasses import dataclass

# A first turn that no bolt minds (turns).
_FIRST_TURN = 0.25
# Nobody turns farther than this without looking again (turns).
_LONGEST_TURN = 6.0
# Finer than a third of a degree fingers do not turn a knob (turns).
_SMALLEST_TURN = 0.001
# A thread that did not answer is turned this much more, the next time (turns).
_MORE_TURNS = 0.02
# A turn at least this long teaches how far the figure goes per turn (turns).
_TELLING_TURN = 0.1
# A figure that went less than this part of the way: the thread was slack.
_ANSWERED_PART = 0.3


@dataclass
class KnobSense:
    """What the hands have learned of one knob; turns are clockwise positive."""

    arcmin_per_turn: float | None = None
    slack_turns: float = 0.0
    _before_arcmin: float = math.nan
    _turned: float = 0.0
    _sense: float = 0.0
    _reversed: bool = False
    _in_slack_turns: float = 0.0

    def next_turn(self, error_arcmin: float, sigma_arcmin: float) -> float:
        """Return how far to turn the knob now, after looking at what the last turn did."""
        self._learn(error_arcmin, sigma_arcmin)
        turn = self._wanted(error_arcmin, sigma_arcmin)
        if turn != 0.0:
            sense = math.copysign(1.0, turn)
            self._reversed = self._sense not in (0.0, sense)
            if self._reversed:
                self._in_slack_turns = 0.0
                turn += sense * self.slack_turns
            elif self._in_slack_turns > 0.0:
                turn += sense * max(self.slack_turns - self._in_slack_turns, _MORE_TURNS)
            self._sense = sense
        self._before_arcmin, self._turned = error_arcmin, turn
        return turn

    def _wanted(self, error_arcmin: float, sigma_arcmin: float) -> float:
        if self.arcmin_per_turn is None:
            return _FIRST_TURN
        if abs(error_arcmin) < 0.3 * sigma_arcmin:
            return 0.0
        turn = -error_arcmin / self.arcmin_per_turn
        if abs(turn) < _SMALLEST_TURN:
            return 0.0
        return max(-_LONGEST_TURN, min(_LONGEST_TURN, turn))

    def _learn(self, error_arcmin: float, sigma_arcmin: float) -> None:
        if self._turned == 0.0 or math.isnan(self._before_arcmin):
            return
        change = error_arcmin - self._before_arcmin
        if self.arcmin_per_turn is None:
            if abs(change) > 10.0 * sigma_arcmin:
                self.arcmin_per_turn = change / self._turned
            return
        went = change / self.arcmin_per_turn  # the part of the turn that the figure shows
        was_slack = self._reversed or self._in_slack_turns > 0.0
        if abs(went) < _ANSWERED_PART * abs(self._turned) and was_slack:
            self._in_slack_turns += abs(self._turned)
            self.slack_turns = max(self.slack_turns, self._in_slack_turns)
        elif was_slack:
            lost = max(0.0, abs(self._turned) - abs(went))
            self.slack_turns = self._in_slack_turns + lost
            self._in_slack_turns = 0.0
        elif abs(self._turned) > _TELLING_TURN:
            self.arcmin_per_turn += 0.7 * (change / self._turned - self.arcmin_per_turn)
