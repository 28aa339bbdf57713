"""Motors: what a command to a motorised adjuster does to the axis, learned from what it did.

The azimuth motor turns the head about the base's vertical and the altitude motor tilts it about
the base's horizontal, so in the base's own altitude and azimuth both effects simply add up,
however far the axis goes; seen over the ground a base that leans couples them, and a turn in
azimuth moves the axis on the sky by the cosine of the altitude only.  Unknown beforehand: each
motor's sign, scale and play, how the base leans, and what is left of coupling when that is known.
The play is lost where a motor changes its sense; where in it the motor starts nobody knows.

Learning is maximum a posteriori over all moves so far, by Gauss-Newton with damping.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.bolts import MountTriad
from polewright.core.axis.knobs import Bolt
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    UP_ENU,
    altaz_from_enu,
    cross,
    enu_from_altaz,
    sky_tangents,
    unit,
    wrap_half_turn,
)
from polewright.core.geometry.rotations import Matrix, Vector, rotation_from_vector

Pair = tuple[float, float]
"""Of the azimuth motor, of the altitude motor."""

# What is believed of an adjuster that never moved (one sigma each; common sense, no source):
# logarithm of its scale, ...
_SCALE_LN_SIGMA = 0.35
# ... play that its first move goes through, mean and sigma (nobody knows where in it it stands),
_FIRST_PLAY_RAD = (0.75 * ARCMIN_RAD, 3.0 * ARCMIN_RAD)
# ... how much more there is when it turns round, likewise, ...
_MORE_PLAY_RAD = (0.75 * ARCMIN_RAD, 4.0 * ARCMIN_RAD)
# ... lean of the base per direction (3 deg: a tripod set up by eye), ...
_LEAN_SIGMA_RAD = 0.05
# ... and coupling for any other reason (hinges that are not square).
_COUPLING_SIGMA = 0.01
_MEANS = np.array([0.0, _FIRST_PLAY_RAD[0], _MORE_PLAY_RAD[0]] * 2 + [0.0] * 4)
_SIGMAS = np.array(
    [_SCALE_LN_SIGMA, _FIRST_PLAY_RAD[1], _MORE_PLAY_RAD[1]] * 2
    + [_LEAN_SIGMA_RAD] * 2
    + [_COUPLING_SIGMA] * 2
)
_PER_MOTOR = 3
_LEAN, _COUPLING = slice(6, 8), slice(8, 10)

# No motor repeats better than this part of its move and this angle.
_REPEATS_PART = 0.002
_REPEATS_RAD = 1.0 * ARCSEC_RAD
# A motor commanded alone has plainly moved, so that its sign is known, from here on:
# this many sigma, and this part of the command.
_SEEN_SIGMAS = 5.0
_SEEN_PART = 0.08
# Numbering of the motors in all pairs.
MOTORS = (Bolt.AZIMUTH, Bolt.ALTITUDE)
_ROUNDS = 40
_STARTING_PLAYS = (-0.25, 0.0, 1.5, 5.0)  # in sigmas from the mean: none, usual, much, very much
_NUDGE = 1e-3  # for numeric derivatives, in sigmas


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MotorMove:
    """One command and what it did.

    Attributes
    ----------
    commanded_deg : pair of float
        As the device counts (deg): azimuth, altitude.
    before_enu, after_enu : ndarray of shape (3,)
        The axis.
    covariance_rad2 : ndarray of shape (2, 2)
        Of the change: increasing azimuth on the sky, increasing altitude (rad^2).
    """

    commanded_deg: Pair
    before_enu: Vector
    after_enu: Vector
    covariance_rad2: NDArray[np.float64]

    @property
    def sigma_rad(self) -> float:
        """Along the worst direction (rad)."""
        return float(math.sqrt(np.linalg.eigvalsh(self.covariance_rad2)[-1]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motors:
    """What is known of both motors.

    Attributes
    ----------
    start_enu : ndarray of shape (3,)
        The axis before the first move: the base's lean is counted to its right and forward.
    signs : pair of float
        1 or -1 where the device counts with or against azimuth and altitude; 0: not known.
    moves : tuple of MotorMove
        All of them.
    unknowns : ndarray of shape (10,)
        Per motor: logarithm of the scale, play that the first move went through and what more of
        it there is (rad; negative: none); then the lean to the right and forward (rad), the
        altitude that azimuth turns bring along and the reverse.
    covariance : ndarray of shape (10, 10)
        Of the unknowns.
    """

    start_enu: Vector
    signs: Pair = (0.0, 0.0)
    moves: tuple[MotorMove, ...] = ()
    unknowns: NDArray[np.float64]
    covariance: NDArray[np.float64]

    @classmethod
    def new(cls, axis_enu: Vector) -> "Motors":
        """Return what is known before the first move."""
        return cls(start_enu=axis_enu, unknowns=_MEANS.copy(), covariance=np.diag(_SIGMAS**2))

    @property
    def scales(self) -> Pair:
        """What each motor does of what it is asked, signed; 0 where its sign is not known."""
        return (
            self.signs[0] * math.exp(self.unknowns[0]),
            self.signs[1] * math.exp(self.unknowns[_PER_MOTOR]),
        )

    @property
    def plays_rad(self) -> Pair:
        """Way of each motor that is lost where it changes its sense (rad, of the axis)."""
        first, more, of_altitude, more_of_altitude = np.maximum(self.unknowns[[1, 2, 4, 5]], 0.0)
        return float(first + more), float(of_altitude + more_of_altitude)

    @property
    def base_from_enu(self) -> Matrix:
        """Rotation into the frame in which the base is level."""
        return _base_from_enu(self.start_enu, self.unknowns[_LEAN])

    def commanded_total_deg(self) -> Pair:
        """Return the sum of all commands (deg as the device counts)."""
        return (
            sum(move.commanded_deg[0] for move in self.moves),
            sum(move.commanded_deg[1] for move in self.moves),
        )


def learned(motors: Motors, move: MotorMove) -> Motors:
    """Return what is known after one more move."""
    signs = tuple(
        sign or _sign_seen(motors, move, index) for index, sign in enumerate(motors.signs)
    )
    return _fitted(replace(motors, signs=(signs[0], signs[1]), moves=(*motors.moves, move)))


def turns_seen(motors: Motors, before_enu: Vector, after_enu: Vector) -> Pair:
    """Return the turns about the base's vertical and in its altitude that a change needs (rad).

    Couplings other than the base's lean are taken out.
    """
    return _turns(motors.unknowns, motors.base_from_enu, before_enu, after_enu)


def predicted(motors: Motors, axis_enu: Vector, commanded_deg: Pair) -> tuple[Vector, Matrix]:
    """Return where the next command takes the axis, and how well that is known.

    Returns
    -------
    axis_enu : ndarray of shape (3,)
    covariance_rad2 : ndarray of shape (2, 2)
        By what is not known of the motors: increasing azimuth on the sky, increasing altitude.
    """
    after = _after_next(motors, motors.unknowns, axis_enu, commanded_deg)
    tangents = np.stack(sky_tangents(after))
    columns = []
    for index, sigma in enumerate(_SIGMAS):
        shifted = []
        for side in (1.0, -1.0):
            unknowns = motors.unknowns.copy()
            unknowns[index] += side * _NUDGE * sigma
            shifted.append(_after_next(motors, unknowns, axis_enu, commanded_deg))
        columns.append(tangents @ (shifted[0] - shifted[1]) / (2.0 * _NUDGE * sigma))
    design = np.column_stack(columns)
    covariance = design @ motors.covariance @ design.T
    return after, covariance + _repeats(axis_enu, after) * np.eye(2)


def command_for(motors: Motors, turns_rad: Pair) -> Pair:
    """Return the command that makes these turns, play included (deg as the device counts).

    A motor that need not turn is not commanded; nor is one whose sign is not known.
    """
    lags = _lags(motors)
    commands = []
    for index, turn in enumerate(turns_rad):
        scale = motors.scales[index]
        if turn == 0.0 or scale == 0.0:
            commands.append(0.0)
            continue
        half = 0.5 * motors.plays_rad[index]
        driver = turn + math.copysign(half, turn) - lags[index]
        commands.append(math.degrees(driver / scale))
    return commands[0], commands[1]


def play_ahead_rad(motors: Motors, commanded_deg: Pair) -> Pair:
    """Return the way that the next command loses in each motor's play, as far as known (rad)."""
    lags = _lags(motors)
    ahead = [0.0, 0.0]
    for index, commanded in enumerate(commanded_deg):
        if commanded:
            sense = math.copysign(1.0, commanded * motors.scales[index])
            ahead[index] = max(0.5 * motors.plays_rad[index] - sense * lags[index], 0.0)
    return ahead[0], ahead[1]


def last_senses(motors: Motors) -> Pair:
    """Return in which sense each motor last took the axis along (1, -1; 0: not yet)."""
    senses = [0.0, 0.0]
    for index, scale in enumerate(motors.scales):
        for move in motors.moves:
            if move.commanded_deg[index] != 0.0 and scale != 0.0:
                senses[index] = math.copysign(1.0, move.commanded_deg[index] * scale)
    return senses[0], senses[1]


# -- inside -----------------------------------------------------------------------------------


def _base_from_enu(start_enu: Vector, lean: NDArray[np.float64]) -> Matrix:
    triad = MountTriad.of(start_enu)
    vertical = unit(UP_ENU + lean[0] * triad.right + lean[1] * triad.forward)
    across = cross(vertical, UP_ENU)
    size = float(np.linalg.norm(across))
    if size < 1e-15:
        return np.eye(3)
    return rotation_from_vector(across * (math.asin(min(size, 1.0)) / size))


def _turns(
    unknowns: NDArray[np.float64], base: Matrix, before_enu: Vector, after_enu: Vector
) -> Pair:
    altitude, azimuth = altaz_from_enu(base @ before_enu)
    altitude_after, azimuth_after = altaz_from_enu(base @ after_enu)
    of_azimuth, of_altitude = unknowns[_COUPLING]
    mixed = np.array([[1.0, of_altitude], [of_azimuth, 1.0]])
    change = np.array([wrap_half_turn(azimuth_after - azimuth), altitude_after - altitude])
    turns = np.linalg.solve(mixed, change)
    return float(turns[0]), float(turns[1])


def _turned(
    unknowns: NDArray[np.float64], base: Matrix, axis_enu: Vector, turns_rad: Pair
) -> Vector:
    altitude, azimuth = altaz_from_enu(base @ axis_enu)
    of_azimuth, of_altitude = unknowns[_COUPLING]
    return np.asarray(
        base.T
        @ enu_from_altaz(
            altitude + turns_rad[1] + float(of_azimuth) * turns_rad[0],
            azimuth + turns_rad[0] + float(of_altitude) * turns_rad[1],
        )
    )


def _sign_seen(motors: Motors, move: MotorMove, index: int) -> float:
    """Return the sign of a motor that was commanded alone; 0 where it did not plainly move."""
    asked = math.radians(move.commanded_deg[index])
    if asked == 0.0 or move.commanded_deg[1 - index] != 0.0:
        return 0.0
    seen = turns_seen(motors, move.before_enu, move.after_enu)[index]
    if abs(seen) < least_seen_rad(move, index):
        return 0.0
    return math.copysign(1.0, seen * asked)


def least_seen_rad(move: MotorMove, index: int) -> float:
    """Return the smallest turn of a motor that tells that it moved at all (rad)."""
    level = math.cos(altaz_from_enu(move.after_enu)[0]) if index == 0 else 1.0
    noise = move.sigma_rad / max(level, 1e-3)
    return max(_SEEN_SIGMAS * noise, _SEEN_PART * math.radians(abs(move.commanded_deg[index])))


class _Play:
    """One motor's play while a sequence of commands is gone through."""

    def __init__(self, unknowns: NDArray[np.float64], index: int, motors: Motors) -> None:
        ln_scale, first, more = (
            float(unknown) for unknown in unknowns[_PER_MOTOR * index : _PER_MOTOR * (index + 1)]
        )
        first, more = max(first, 0.0), max(more, 0.0)
        self._per_degree = motors.signs[index] * math.exp(ln_scale) * math.pi / 180.0
        self._half = 0.5 * (first + more)
        # So far from the end of the play in the sense of the first move.
        commands = (move.commanded_deg[index] for move in motors.moves)
        sense = next((command for command in commands if command), 1.0) * motors.signs[index]
        self.lag = math.copysign(1.0, sense) * (self._half - first)

    def turn(self, commanded_deg: float) -> float:
        """Return how far the axis goes."""
        lag = self.lag + self._per_degree * commanded_deg
        self.lag = min(max(lag, -self._half), self._half)
        return lag - self.lag


def _plays(motors: Motors, unknowns: NDArray[np.float64]) -> tuple[_Play, _Play]:
    return _Play(unknowns, 0, motors), _Play(unknowns, 1, motors)


def _lags(motors: Motors) -> Pair:
    """Return how far each motor stands from the middle of its play now (rad)."""
    plays = _plays(motors, motors.unknowns)
    for move in motors.moves:
        for play, commanded in zip(plays, move.commanded_deg, strict=True):
            play.turn(commanded)
    return plays[0].lag, plays[1].lag


def _after_next(
    motors: Motors, unknowns: NDArray[np.float64], axis_enu: Vector, commanded_deg: Pair
) -> Vector:
    plays = _plays(motors, unknowns)
    for move in motors.moves:
        for play, commanded in zip(plays, move.commanded_deg, strict=True):
            play.turn(commanded)
    turns = plays[0].turn(commanded_deg[0]), plays[1].turn(commanded_deg[1])
    base = _base_from_enu(motors.start_enu, unknowns[_LEAN])
    return _turned(unknowns, base, axis_enu, turns)


def _repeats(before_enu: Vector, after_enu: Vector) -> float:
    """Return the variance by which a motor does not repeat (rad^2)."""
    way = float(np.linalg.norm(after_enu - before_enu))
    return (_REPEATS_PART * way) ** 2 + _REPEATS_RAD**2


def _fitted(motors: Motors) -> Motors:
    """Fit the unknowns from several starts; the best one counts."""
    whitening = [
        np.linalg.inv(
            np.linalg.cholesky(
                move.covariance_rad2 + _repeats(move.before_enu, move.after_enu) * np.eye(2)
            )
        )
        @ np.stack(sky_tangents(move.after_enu))
        for move in motors.moves
    ]
    warm = (motors.unknowns - _MEANS) / _SIGMAS
    starts = [warm]
    for play in _STARTING_PLAYS:
        start = np.zeros(len(_MEANS))
        start[[1, 2, 4, 5]] = play
        starts.append(start)
    best = min((_descended(motors, whitening, start) for start in starts), key=lambda fit: fit[0])
    _, point, normal = best
    covariance = np.asarray(np.linalg.inv(normal) * np.outer(_SIGMAS, _SIGMAS), np.float64)
    return replace(motors, unknowns=_MEANS + _SIGMAS * point, covariance=covariance)


def _misfits(
    motors: Motors, whitening: list[NDArray[np.float64]], point: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the residuals in sigmas, those of the prior last."""
    unknowns = _MEANS + _SIGMAS * point
    base = _base_from_enu(motors.start_enu, unknowns[_LEAN])
    plays = _plays(motors, unknowns)
    parts = []
    for move, whiten in zip(motors.moves, whitening, strict=True):
        turns = plays[0].turn(move.commanded_deg[0]), plays[1].turn(move.commanded_deg[1])
        after = _turned(unknowns, base, move.before_enu, turns)
        parts.append(whiten @ (move.after_enu - after))
    return np.concatenate([*parts, -point])


def _descended(
    motors: Motors, whitening: list[NDArray[np.float64]], point: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Return the cost, the place and the normal matrix at the bottom of the valley below."""
    size = len(point)
    misfits = _misfits(motors, whitening, point)
    cost = float(misfits @ misfits)
    damping = 1e-3
    normal = np.eye(size)
    for _ in range(_ROUNDS):
        design = np.empty((len(misfits), size))
        for index in range(size):
            nudge = np.zeros(size)
            nudge[index] = _NUDGE
            design[:, index] = (
                _misfits(motors, whitening, point + nudge)
                - _misfits(motors, whitening, point - nudge)
            ) / (2.0 * _NUDGE)
        normal, gradient = design.T @ design, design.T @ misfits
        before = cost
        while damping < 1e8:
            step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            tried = _misfits(motors, whitening, point + step)
            if (lower := float(tried @ tried)) < cost:
                point, misfits, cost = point + step, tried, lower
                damping = max(damping * 0.1, 1e-9)
                break
            damping *= 10.0
        if before - cost < 1e-4 * (1.0 + cost):
            break
        damping = min(damping, 1e3)
    return cost, point, normal
