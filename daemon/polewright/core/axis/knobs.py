"""Knobs: how far a bolt goes per turn, which way, and how much slack it has, from turns reported.

Nobody senses a knob: the person says how far it was turned, the camera saw how far the bolt went.
``went = gain x (turns - slack x sense)`` where the sense of turning changed, by maximum a
posteriori over all turns reported so far, and over what is believed beforehand: settings, or
earlier evenings.
"""

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

# Slack of a bolt nobody has turned yet: mean and sigma (turns).
_SLACK_PRIOR_TURNS = (0.1, 0.1)
# How exactly people turn a knob by what they say (turns).
_HAND_SIGMA_TURNS = 0.02
# A gain known worse than this part of itself is not told; one quarter turn makes it better.
_LARGEST_GAIN_SIGMA = 0.4
# Slack known better than this (turns), and larger than the next figure, is taken out at the end.
_SLACK_KNOWN_TURNS = 0.05
_SLACK_WORTH_TURNS = 0.03
# Past the goal and back by this much beyond the slack, to end in the same sense always (turns).
_OVERSHOOT_TURNS = 0.1
# The sense in which a bolt ends: clockwise, against its load on nearly all mounts.
_FINAL_SENSE = 1.0
# What a maker or a ruler says of a thread is right to this part.
_SET_GAIN_SIGMA = 0.1
# By how much a gain, and the slack (turns), may have changed from one evening to another: another
# load on the bolt, another place along it (judgements, no source).
_EVENING_GAIN_SIGMA = 0.05
_EVENING_SLACK_SIGMA_TURNS = 0.03
# A turn that fits the earlier ones this badly (sigma) is not learned from ...
_DOUBTFUL_SIGMAS = 5.0
# ... unless it also fits within this part of itself.
_DOUBTFUL_PART = 0.25
_MOST_KEPT = 40
_ROUNDS = 12

_FRACTIONS = (
    (1 / 16, "1/16"),
    (1 / 8, "1/8"),
    (1 / 6, "1/6"),
    (1 / 4, "1/4"),
    (1 / 3, "1/3"),
    (1 / 2, "1/2"),
    (2 / 3, "2/3"),
    (3 / 4, "3/4"),
    (1.0, "1"),
)


class Bolt(StrEnum):
    """Which of the two bolts."""

    ALTITUDE = "altitude"
    AZIMUTH = "azimuth"


@dataclass(frozen=True, slots=True, kw_only=True)
class KnobMove:
    """One turn reported, and how far the bolt went.

    ``turns``: clockwise positive.  ``went_rad``: positive raises the axis, or increases its
    azimuth (rad).  ``reversed_part``: 1 where the sense of turning changed, 0 where not, one half
    where it is not known.
    """

    turns: float
    went_rad: float
    sigma_rad: float
    reversed_part: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnobBelief:
    """What is believed of a knob before its first turn is reported.

    ``gain_rad`` is signed as in :class:`Knob`.  ``sense_from_settings``: that sign is what a person
    wrote, and the first turn reported goes before it.
    """

    gain_rad: float
    gain_sigma_rad: float
    slack_turns: float = _SLACK_PRIOR_TURNS[0]
    slack_sigma_turns: float = _SLACK_PRIOR_TURNS[1]
    sense_from_settings: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """What is known of one bolt's knob.

    Attributes
    ----------
    gain_rad : float or None
        How far the bolt goes per turn clockwise (rad, signed); None: not known.
    gain_sigma_rad : float
        Its standard deviation (rad).
    slack_turns, slack_sigma_turns : float
        Turn without effect after the sense of turning changes.
    last_sense : float
        Of the last turn: 1 clockwise, -1 anticlockwise, 0 unknown.
    moves : tuple of KnobMove
        What it was learned from.
    doubtful : KnobMove or None
        The last turn, where it did not fit those before it.
    belief : KnobBelief or None
        What was believed before the first of ``moves``.
    """

    gain_rad: float | None = None
    gain_sigma_rad: float = math.inf
    slack_turns: float = _SLACK_PRIOR_TURNS[0]
    slack_sigma_turns: float = _SLACK_PRIOR_TURNS[1]
    last_sense: float = 0.0
    moves: tuple[KnobMove, ...] = ()
    doubtful: KnobMove | None = None
    belief: KnobBelief | None = None

    @property
    def known(self) -> bool:
        """True where turns can be told.

        A belief that the first turn contradicts is not told until a second turn has decided.
        """
        if self.gain_rad is None or (self.doubtful is not None and not self.moves):
            return False
        return self.gain_sigma_rad < _LARGEST_GAIN_SIGMA * abs(self.gain_rad)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnobAdvice:
    """How to turn a knob.

    ``steps_turns``: one turn, or two where the bolt goes past and comes back, clockwise positive;
    ``turns``: their sum; ``sigma_turns``: how well it is known; ``words``: the same as a person
    says it.
    """

    steps_turns: tuple[float, ...]
    turns: float
    sigma_turns: float
    words: str


def knob_as_set(gain_rad: float) -> Knob:
    """Return a knob that nobody has turned yet, from what settings say of it (rad per turn).

    Positive: a turn clockwise raises the axis, or increases its azimuth.
    """
    return _believed(
        KnobBelief(
            gain_rad=gain_rad,
            gain_sigma_rad=_SET_GAIN_SIGMA * abs(gain_rad),
            sense_from_settings=True,
        )
    )


def after_rest(knob: Knob) -> Knob:
    """Return what is still believed of a knob on a later evening.

    Its turns are summed up and count for less from now on, and which flank of the thread it
    touches is no longer known.
    """
    if knob.gain_rad is None:
        return Knob()
    belief = KnobBelief(
        gain_rad=knob.gain_rad,
        gain_sigma_rad=math.hypot(knob.gain_sigma_rad, _EVENING_GAIN_SIGMA * knob.gain_rad),
        slack_turns=knob.slack_turns,
        slack_sigma_turns=min(
            math.hypot(knob.slack_sigma_turns, _EVENING_SLACK_SIGMA_TURNS), _SLACK_PRIOR_TURNS[1]
        ),
        sense_from_settings=(
            not knob.moves and knob.belief is not None and knob.belief.sense_from_settings
        ),
    )
    return replace(_believed(belief), doubtful=knob.doubtful)


def _believed(belief: KnobBelief) -> Knob:
    return Knob(
        gain_rad=belief.gain_rad,
        gain_sigma_rad=belief.gain_sigma_rad,
        slack_turns=belief.slack_turns,
        slack_sigma_turns=belief.slack_sigma_turns,
        belief=belief,
    )


def after_turn(knob: Knob, turns: float, went_rad: float, sigma_rad: float) -> Knob:
    """Return what is known of a knob after one more turn.

    A turn that does not fit the earlier ones at all (the other knob was meant, one turn was not
    reported) is set aside; a second one in a row starts the learning over, without what was
    believed before (another head).  Only the sense that settings say gives way at once.

    Parameters
    ----------
    turns : float
        Clockwise positive; not 0.
    went_rad, sigma_rad : float
        How far the bolt was seen to go, positive raises the axis or increases its azimuth (rad).
    """
    sense = math.copysign(1.0, turns)
    reversed_part = 0.5 if knob.last_sense == 0.0 else float(sense != knob.last_sense)
    move = KnobMove(
        turns=turns, went_rad=went_rad, sigma_rad=sigma_rad, reversed_part=reversed_part
    )
    belief = knob.belief if not knob.moves else None
    if belief is not None and belief.sense_from_settings and _went_backward(knob, move):
        turned_over = _believed(replace(belief, gain_rad=-belief.gain_rad))
        knob = replace(turned_over, last_sense=knob.last_sense)
    if knob.gain_rad is not None and not _fits(knob, move):
        if knob.doubtful is None:
            return replace(knob, last_sense=sense, doubtful=move)
        fresh = replace(knob.doubtful, reversed_part=0.5)
        return _learned(Knob(last_sense=sense), (fresh, move))
    return _learned(replace(knob, last_sense=sense, doubtful=None), _joined(knob.moves, move))


def turns_for(knob: Knob, amount_rad: float) -> KnobAdvice | None:
    """Return how to turn a knob so that its bolt goes by an amount; None where not yet known.

    Where the slack is known the bolt always ends in the same sense: past the goal and back.
    """
    if not knob.known or knob.gain_rad is None:
        return None
    plain = amount_rad / knob.gain_rad
    sense = math.copysign(1.0, plain)
    slack_known = knob.slack_sigma_turns < _SLACK_KNOWN_TURNS
    slack = knob.slack_turns if slack_known else 0.0
    taken_up = sense * slack if knob.last_sense == -sense else 0.0
    steps: tuple[float, ...]
    if sense != _FINAL_SENSE and slack > _SLACK_WORTH_TURNS:
        back = _FINAL_SENSE * (slack + _OVERSHOOT_TURNS)
        steps = (plain + taken_up - _FINAL_SENSE * _OVERSHOOT_TURNS, back)
    else:
        steps = (plain + taken_up,)
    sigma = math.hypot(
        plain * knob.gain_sigma_rad / abs(knob.gain_rad),
        knob.slack_sigma_turns if knob.last_sense == -sense else 0.0,
    )
    return KnobAdvice(
        steps_turns=steps,
        turns=float(sum(steps)),
        sigma_turns=sigma,
        words=", then ".join(turn_words(step) for step in steps),
    )


def turn_words(turns: float) -> str:
    """Return a turn as a person says it: ``about 1/4 turn clockwise``."""
    sense = "clockwise" if turns > 0.0 else "anticlockwise"
    size = abs(turns)
    if size < _FRACTIONS[0][0] / 2.0:
        return f"a touch {sense}"
    if size >= 4.0:
        return f"about {size:.0f} turns {sense}"
    whole, part = divmod(size, 1.0)
    if whole == 0.0:
        name = min(_FRACTIONS, key=lambda fraction: abs(math.log(fraction[0] / size)))[1]
        return f"about {name} turn {sense}"
    quarters = round(part * 4.0)
    whole, quarters = (whole + 1.0, 0) if quarters == 4 else (whole, quarters)
    tail = ("", " 1/4", " 1/2", " 3/4")[quarters]
    plural = "turn" if whole == 1.0 and not quarters else "turns"
    return f"about {whole:.0f}{tail} {plural} {sense}"


def _fits(knob: Knob, move: KnobMove) -> bool:
    if knob.gain_rad is None:
        return True
    if _went_backward(knob, move):
        return False
    expected = _went_rad(knob.gain_rad, knob.slack_turns, move)
    sigma = math.hypot(
        move.sigma_rad,
        abs(knob.gain_rad) * _HAND_SIGMA_TURNS,
        knob.gain_sigma_rad * move.turns,
        abs(knob.gain_rad) * (knob.slack_sigma_turns if move.reversed_part else 0.0),
    )
    missing = abs(move.went_rad - expected)
    return missing < max(_DOUBTFUL_SIGMAS * sigma, _DOUBTFUL_PART * abs(expected))


def _went_backward(knob: Knob, move: KnobMove) -> bool:
    """Return whether a bolt plainly went against its sense, which no slack explains."""
    if knob.gain_rad is None or move.went_rad * knob.gain_rad * move.turns >= 0.0:
        return False
    sigma = math.hypot(move.sigma_rad, abs(knob.gain_rad) * _HAND_SIGMA_TURNS)
    return abs(move.went_rad) > _DOUBTFUL_SIGMAS * sigma


def _went_rad(gain_rad: float, slack_turns: float, move: KnobMove) -> float:
    """How far a bolt goes: nowhere while the slack is taken up."""
    effective = max(abs(move.turns) - move.reversed_part * slack_turns, 0.0)
    return gain_rad * math.copysign(effective, move.turns)


def _joined(moves: tuple[KnobMove, ...], move: KnobMove) -> tuple[KnobMove, ...]:
    """Add a move; one that was lost in the slack belongs to the next in the same sense."""
    if moves and move.reversed_part == 0.0:
        last = moves[-1]
        if last.reversed_part and abs(last.went_rad) < 3.0 * last.sigma_rad:
            together = KnobMove(
                turns=last.turns + move.turns,
                went_rad=last.went_rad + move.went_rad,
                sigma_rad=math.hypot(last.sigma_rad, move.sigma_rad),
                reversed_part=last.reversed_part,
            )
            return (*moves[:-1], together)
    return (*moves, move)[-_MOST_KEPT:]


def _learned(knob: Knob, moves: tuple[KnobMove, ...]) -> Knob:
    """Fit gain and slack by Gauss-Newton."""
    belief = knob.belief
    first_slack, slack_sigma = _SLACK_PRIOR_TURNS
    if belief is not None:
        first_slack, slack_sigma = belief.slack_turns, belief.slack_sigma_turns
        gain = first_gain = belief.gain_rad
        gain_weight = 1.0 / belief.gain_sigma_rad**2
    else:
        longest = max(moves, key=lambda move: abs(move.turns) - move.reversed_part * first_slack)
        if abs(longest.went_rad) < 3.0 * longest.sigma_rad:
            return replace(knob, gain_rad=None, gain_sigma_rad=math.inf, moves=moves)
        effective = max(
            abs(longest.turns) - longest.reversed_part * first_slack, 0.2 * abs(longest.turns)
        )
        gain = first_gain = longest.went_rad / math.copysign(effective, longest.turns)
        gain_weight = 0.0
    slack = first_slack
    covariance: NDArray[np.float64] = np.eye(2)
    for _ in range(_ROUNDS):
        weights = np.array([gain_weight, 1.0 / slack_sigma**2])
        normal = np.diag(weights)
        gradient = weights * np.array([first_gain - gain, first_slack - slack])
        for move in moves:
            unsure = slack * 0.5 if move.reversed_part == 0.5 else 0.0
            sigma = math.hypot(move.sigma_rad, abs(gain) * math.hypot(_HAND_SIGMA_TURNS, unsure))
            went = _went_rad(gain, slack, move)
            # Lost in the slack altogether, a turn says only that the slack is no smaller.
            loose = went == 0.0
            partials = np.array(
                [
                    went / gain if not loose else 0.0,
                    -gain * move.reversed_part * math.copysign(1.0, move.turns) if not loose else 0,
                ]
            )
            normal += np.outer(partials, partials) / sigma**2
            gradient += partials * (move.went_rad - went) / sigma**2
        if np.linalg.matrix_rank(normal) < 2:
            break
        step = np.linalg.solve(normal, gradient)
        gain, slack = gain + float(step[0]), max(slack + float(step[1]), 0.0)
        covariance = np.asarray(np.linalg.inv(normal))
    return replace(
        knob,
        gain_rad=gain,
        gain_sigma_rad=math.sqrt(covariance[0, 0]),
        slack_turns=slack,
        slack_sigma_turns=math.sqrt(covariance[1, 1]),
        moves=moves,
    )
