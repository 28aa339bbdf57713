"""Motor steps: which command comes next, and when an adjuster is not to be trusted any further.

First each motor alone, by a little, toward where its documentation puts the target: that tells
its sign and nearly its scale, and is doubled while nothing moves (the play).  Then both together,
each short of what is needed by what is not known of it, so that the last approach is in the sense
of the one before and no play comes between.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.correction import amount_words
from polewright.core.axis.live_model import steepness
from polewright.core.axis.motors import (
    MOTORS,
    MotorMove,
    Motors,
    Pair,
    command_for,
    last_senses,
    least_seen_rad,
    play_ahead_rad,
    predicted,
    turns_seen,
)
from polewright.core.errors import DeviceError
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    altaz_from_enu,
    angle_between,
    sky_tangents,
)
from polewright.core.geometry.rotations import Vector

# A first step: this part of what is needed, and never outside these (deg as the device counts):
# ten times what plate solving sees, and twice the play of a tired gear; a mistake does no harm.
_FIRST_PART = 0.1
_FIRST_DEG = (0.1, 0.2)
# A motor that does not move at this is stuck, or not connected to the bolt.
_LARGEST_FIRST_DEG = 0.8
# What is told from noise by less than this (sigma) is no reason to move, ...
_WORTH_SIGMAS = 1.5
# ... going back through the play for it even less (factor), ...
_BACK_WORTH = 1.5
# ... and where a motor stops short on purpose, this part of that is near enough.
_LEAST_LEFT_PART = 0.5
# Short of the goal by so many sigma of what is not known, at most by half.
_SHORT_SIGMAS = 1.5
_SHORTEST_PART = 0.5
# A scale off by more than this factor is a wrong device, wrong gear or wrong unit.
_SCALE_FACTOR = 3.0
# Commanded alone, a motor must not turn the other way by this part: 15 deg of lean do.
_OTHER_PART = 0.3
# A move that is not what was predicted by more than all of these is not the motors' doing.
_UNEXPECTED_SIGMAS = 6.0
_UNEXPECTED_PART = 0.3
_UNEXPECTED_RAD = 1.0 * ARCMIN_RAD
# Where a motor has to go through its play there may be so much more of it.
_MORE_PLAY_RAD = 4.0 * ARCMIN_RAD
_AT_THE_END_RAD = 0.05 * ARCMIN_RAD


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorLimits:
    """How far the motors may go.

    Attributes
    ----------
    total_deg : float
        From where they started, each (deg as the device counts), and the axis on the sky.
    step_deg : pair of float
        In one command, each (deg).
    """

    total_deg: float = 5.0
    step_deg: Pair = (5.0, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorStep:
    """One command, and what it is for.

    ``azimuth_deg``, ``altitude_deg``: as the device counts (deg).
    """

    azimuth_deg: float
    altitude_deg: float
    learning: bool = False

    @property
    def commanded_deg(self) -> Pair:
        """Both as a pair."""
        return self.azimuth_deg, self.altitude_deg

    @property
    def words(self) -> str:
        """What a person reads while it is made."""
        parts = [
            f"{motor.value} motor {commanded:+.4f} deg"
            for motor, commanded in zip(MOTORS, self.commanded_deg, strict=True)
            if commanded
        ]
        return ("learning: " if self.learning else "") + ", ".join(parts)


def next_step(
    motors: Motors,
    axis_enu: Vector,
    covariance_rad2: NDArray[np.float64],
    target_enu: Vector,
    limits: MotorLimits,
    *,
    worth_rad: float,
    leave_rad: float = 0.0,
    go_back: bool = True,
) -> MotorStep | None:
    """Return the next command; None where no motor has anything worth doing.

    Parameters
    ----------
    axis_enu, target_enu : ndarray of shape (3,)
        Where the axis is and where it shall be.
    covariance_rad2 : ndarray of shape (2, 2)
        Of the axis (rad^2).
    worth_rad : float
        Smaller errors on the sky are left alone (rad).
    leave_rad : float
        Stop short of the target by this much on the sky, on the side from which each motor comes
        (rad): for a survey in between, after which the last approach needs no change of sense.
    go_back : bool
        Whether a motor may change its sense: through its play and back is worth it only while
        the axis is not good enough.

    Raises
    ------
    DeviceError
        ``adjuster_too_far``: the way is beyond the limits; ``motor_stuck``.
    """
    needed = turns_seen(motors, axis_enu, target_enu)
    on_sky = (math.cos(altaz_from_enu(target_enu)[0]), 1.0)
    sigmas = [math.sqrt(float(covariance_rad2[i, i])) / max(on_sky[i], 1e-3) for i in range(2)]
    least = max(worth_rad, _LEAST_LEFT_PART * leave_rad)
    worth = [max(least / max(on_sky[i], 1e-3), _WORTH_SIGMAS * sigmas[i]) for i in range(2)]
    _refuse_far(axis_enu, target_enu, limits)
    unknown = [i for i in range(2) if motors.signs[i] == 0.0 and abs(needed[i]) > worth[i]]
    if unknown:
        index = max(unknown, key=lambda i: abs(needed[i]) * on_sky[i])
        return _first_step(motors, index, needed[index], limits)
    turns = [0.0, 0.0]
    senses = last_senses(motors)
    for i in range(2):
        short = leave_rad / max(on_sky[i], 1e-3)
        side = math.copysign(1.0, needed[i])
        if short and senses[i] not in (0.0, side) and abs(needed[i]) < 2.0 * short:
            continue  # past the goal by a little: the survey in between will tell
        turn = needed[i] - side * short
        if senses[i] == -side and not go_back:
            continue
        back = _BACK_WORTH if senses[i] == -side else 1.0
        if turn * side > back * worth[i]:
            turns[i] = turn * 2.0 ** _futile(motors, i, side)
    if turns == [0.0, 0.0]:
        return None
    return _damped(motors, axis_enu, (turns[0], turns[1]), worth, limits)


def refuse_doubtful(before: Motors, after: Motors) -> None:
    """Refuse to go on where the last move was not what these motors can have done.

    Parameters
    ----------
    before, after : Motors
        What was known before the last move, and after it.

    Raises
    ------
    DeviceError
        ``wrong_motor``, ``response_too_large``, ``response_too_small``, ``opposite_motion``,
        ``unexpected_response``: with what was seen.
    """
    move = after.moves[-1]
    seen = turns_seen(after, move.before_enu, move.after_enu)
    for index in range(2):
        _refuse_other_motor(before, move, index)
    _refuse_unexpected(before, move)
    for index, motor in enumerate(MOTORS):
        asked = math.radians(move.commanded_deg[index])
        noise = least_seen_rad(move, index)
        if asked and abs(seen[index]) > _SCALE_FACTOR * abs(asked) + noise:
            raise _wrong(
                f"the {motor.value} went {amount_words(seen[index])} when asked for "
                f"{amount_words(asked)}",
                "Check the adjuster's steps per degree, gear and units in its driver.",
                "response_too_large",
            )
        spread = math.sqrt(float(after.covariance[3 * index, 3 * index]))
        ln_scale = float(after.unknowns[3 * index])
        if asked and after.signs[index] and ln_scale + 2.0 * spread < -math.log(_SCALE_FACTOR):
            raise _wrong(
                f"the {motor.value} goes only {100 * math.exp(ln_scale):.0f} % of what it is "
                "asked for",
                "Loosen its clamp, look whether the motor grips, and check the driver's gear.",
                "response_too_small",
            )


def refuse_unreachable_step(step: MotorStep, motors: Motors, limits: MotorLimits) -> None:
    """Refuse a command that takes a motor too far from where it started.

    Raises
    ------
    DeviceError
        ``adjuster_too_far``.
    """
    totals = motors.commanded_total_deg()
    for motor, total, commanded in zip(MOTORS, totals, step.commanded_deg, strict=True):
        if abs(total + commanded) > limits.total_deg:
            raise _too_far(
                f"the {motor.value} motor would be {abs(total + commanded):.1f} deg from where "
                f"it started, more than the limit of {limits.total_deg:g} deg"
            )


# -- inside -----------------------------------------------------------------------------------


def _refuse_far(axis_enu: Vector, target_enu: Vector, limits: MotorLimits) -> None:
    away = math.degrees(angle_between(axis_enu, target_enu))
    if away > limits.total_deg:
        raise _too_far(
            f"the axis is {away:.1f} deg from where it shall be, more than the motors may go "
            f"({limits.total_deg:g} deg)"
        )


def _first_step(motors: Motors, index: int, needed_rad: float, limits: MotorLimits) -> MotorStep:
    """Return a small step of one motor alone, larger than the ones that moved nothing."""
    tried = [abs(m.commanded_deg[index]) for m in motors.moves if m.commanded_deg[index]]
    size = min(max(_FIRST_PART * abs(math.degrees(needed_rad)), _FIRST_DEG[0]), _FIRST_DEG[1])
    if tried:
        if max(tried) >= _LARGEST_FIRST_DEG or max(tried) >= limits.step_deg[index]:
            motor = MOTORS[index].value
            raise _wrong(
                f"the {motor} motor was asked for {sum(tried):.2f} deg in all and the axis did "
                "not move",
                f"Loosen the {motor} clamp, and look whether the motor turns and grips its bolt.",
                "motor_stuck",
            )
        size = min(2.0 * max(tried), _LARGEST_FIRST_DEG)
    size = math.copysign(min(size, limits.step_deg[index]), needed_rad)
    if tried:  # on in the same sense, or the play would be gone through again
        last = next(m for m in reversed(motors.moves) if m.commanded_deg[index])
        size = math.copysign(size, last.commanded_deg[index])
    commanded = (size, 0.0) if index == 0 else (0.0, size)
    return MotorStep(azimuth_deg=commanded[0], altitude_deg=commanded[1], learning=True)


def _futile(motors: Motors, index: int, side: float) -> int:
    """Return how many of the last moves of a motor were lost in its play, in this sense."""
    count = 0
    for move in reversed(motors.moves):
        commanded = move.commanded_deg[index]
        if commanded == 0.0:
            continue
        seen = turns_seen(motors, move.before_enu, move.after_enu)[index]
        if commanded * motors.signs[index] * side < 0.0 or abs(seen) > least_seen_rad(move, index):
            break
        count += 1
    return count


def _damped(
    motors: Motors,
    axis_enu: Vector,
    turns_rad: Pair,
    worth_rad: list[float],
    limits: MotorLimits,
) -> MotorStep:
    """Return a command short of the wanted turns by what is not known of the motors."""
    commanded = command_for(motors, turns_rad)
    expected, spread = predicted(motors, axis_enu, commanded)
    level = max(math.cos(altaz_from_enu(expected)[0]), 1e-3)
    sigmas = (math.sqrt(spread[0, 0]) / level, math.sqrt(spread[1, 1]))
    short = []
    for turn, sigma, worth in zip(turns_rad, sigmas, worth_rad, strict=True):
        less = _SHORT_SIGMAS * sigma
        if less <= worth:
            less = 0.0
        short.append(math.copysign(max(abs(turn) - less, _SHORTEST_PART * abs(turn)), turn)
                     if turn else 0.0)  # fmt: skip
    commanded = command_for(motors, (short[0], short[1]))
    part = min(
        1.0,
        *(limit / abs(c) for limit, c in zip(limits.step_deg, commanded, strict=True) if c),
    )
    return MotorStep(azimuth_deg=commanded[0] * part, altitude_deg=commanded[1] * part)


def _refuse_other_motor(before: Motors, move: MotorMove, index: int) -> None:
    """Refuse where only one motor was commanded and the other bolt's way was gone."""
    other = 1 - index
    if not move.commanded_deg[index] or move.commanded_deg[other]:
        return
    seen = turns_seen(before, move.before_enu, move.after_enu)
    # A base that leans turns an altitude step partly into azimuth, the more the steeper.
    lever = max(1.0, abs(steepness(move.after_enu))) if other == 0 else 1.0
    allowed = _OTHER_PART * lever * abs(seen[index]) + least_seen_rad(move, other)
    if abs(seen[other]) > max(allowed, _UNEXPECTED_RAD):
        raise _wrong(
            f"the {MOTORS[index].value} motor was commanded and the {MOTORS[other].value} moved "
            f"by {amount_words(seen[other])}",
            "Look whether the motors' cables are exchanged, whether somebody touched the mount, "
            "and whether its clamps hold.",
            "wrong_motor",
        )


def _refuse_unexpected(before: Motors, move: MotorMove) -> None:
    """Refuse a move that motors of known sign cannot have made."""
    asked = [i for i in range(2) if move.commanded_deg[i]]
    if any(before.signs[i] == 0.0 for i in asked):
        return
    expected, spread = predicted(before, move.before_enu, move.commanded_deg)
    tangents = np.stack(sky_tangents(expected))
    missing = tangents @ (move.after_enu - expected)
    sigmas2 = spread + move.covariance_rad2
    far = float(missing @ np.linalg.solve(sigmas2, missing)) > _UNEXPECTED_SIGMAS**2
    way = tangents @ (expected - move.before_enu)
    size, length = float(np.linalg.norm(missing)), float(np.linalg.norm(way))
    # Of a play that was never gone through to its end only the least is known.
    ahead = [way for way in play_ahead_rad(before, move.commanded_deg) if way > _AT_THE_END_RAD]
    least = _UNEXPECTED_RAD + sum(way + _MORE_PLAY_RAD for way in ahead)
    if not far or size < max(_UNEXPECTED_PART * length, least):
        return
    seen = tangents @ (move.after_enu - move.before_enu)
    if float(seen @ way) < 0.0 and float(np.linalg.norm(seen)) > 5.0 * move.sigma_rad:
        raise _wrong(
            f"the axis went {amount_words(float(np.linalg.norm(seen)))} against the way that the "
            "motors took it before",
            "Look whether something pushes or pulls at the mount, and whether the motors still "
            "grip their bolts.",
            "opposite_motion",
        )
    raise _wrong(
        f"the axis came to stand {amount_words(size)} from where this command of the motors "
        "should have brought it",
        "Let nobody touch the mount, look at clamps and cables, and survey again.",
        "unexpected_response",
    )


def _too_far(text: str) -> DeviceError:
    return DeviceError(
        text,
        remedy="Bring the axis closer by hand, or raise [adjuster] largest_total_deg if the "
        "mechanics have room.",
        code="adjuster_too_far",
    )


def _wrong(text: str, remedy: str, code: str) -> DeviceError:
    return DeviceError(text, remedy=f"The motors stand. {remedy}", code=code)
