"""Forecast: which turns reach the wished sigma, and what one more frame would gain."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import (
    DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    expected_covariance,
)
from polewright.core.geometry.rotations import Vector

# Candidate sweeps are this far apart.
_SWEEP_STEP_RAD = math.radians(5.0)
_SHORTEST_SWEEP_RAD = math.radians(15.0)
# What a frame and a degree of turning cost on a common mount (s): slew, settle, expose, solve.
_FRAME_COST_S = 5.0
_TURN_COST_S_RAD = 0.5 * 180.0 / math.pi
_FEWEST_FRAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Turns to visit (rad, the first 0, in order of size) and the sigma that they promise."""

    turns_rad: tuple[float, ...]
    sigma_rad: float
    reaches_wish: bool


def expected_sigma(
    first: ObservedAttitude,
    axis_enu: Vector,
    turns_rad: Sequence[float],
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    use_roll: bool = True,
) -> float:
    """Return the sigma (rad) along the worst direction that these turns promise."""
    covariance = expected_covariance(
        first,
        axis_enu,
        turns_rad,
        mechanical_floor_arcsec=mechanical_floor_arcsec,
        use_roll=use_roll,
    )
    return math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))


def choose_turns(
    first: ObservedAttitude,
    axis_enu: Vector,
    *,
    wish_rad: float,
    most_frames: int,
    largest_turn_rad: float,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    use_roll: bool = True,
) -> Forecast:
    """Return the cheapest plan that reaches the wish, else the best one that is possible.

    Parameters
    ----------
    first : ObservedAttitude
        The first frame of the survey, already solved.
    axis_enu : ndarray of shape (3,)
        Where the axis is believed to be (the pole will do).
    wish_rad : float
        Wanted sigma (rad).
    most_frames : int
        No more frames than this; 3 or more.
    largest_turn_rad : float
        Room to turn, signed: the sense of turning about ``axis_enu`` (rad).
    """
    sense = math.copysign(1.0, largest_turn_rad)
    room = abs(largest_turn_rad)
    best: tuple[tuple[bool, float], Forecast] | None = None
    sweeps = [*np.arange(_SHORTEST_SWEEP_RAD, room, _SWEEP_STEP_RAD), room]
    for sweep in sweeps:
        for count in range(_FEWEST_FRAMES, max(_FEWEST_FRAMES, most_frames) + 1):
            for layout in _layouts(count):
                turns = tuple(sense * float(sweep) * part for part in layout)
                sigma = expected_sigma(
                    first,
                    axis_enu,
                    turns,
                    mechanical_floor_arcsec=mechanical_floor_arcsec,
                    use_roll=use_roll,
                )
                reaches = sigma <= wish_rad
                cost = count * _FRAME_COST_S + float(sweep) * _TURN_COST_S_RAD
                rank = (not reaches, cost if reaches else sigma)
                if best is None or rank < best[0]:
                    forecast = Forecast(turns_rad=turns, sigma_rad=sigma, reaches_wish=reaches)
                    best = (rank, forecast)
    if best is None:
        raise AssertionError("there is always a sweep")
    return best[1]


def further_frame(
    first: ObservedAttitude,
    axis_enu: Vector,
    turns_rad: Sequence[float],
    *,
    largest_turn_rad: float,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    use_roll: bool = True,
) -> Forecast:
    """Return where one more frame would help most (the last turn of the answer), and how much."""
    candidates = [largest_turn_rad * part for part in (0.0, 0.25, 0.5, 0.75, 1.0)]
    options = [(*turns_rad, candidate) for candidate in candidates]
    sigmas = [
        expected_sigma(
            first,
            axis_enu,
            turns,
            mechanical_floor_arcsec=mechanical_floor_arcsec,
            use_roll=use_roll,
        )
        for turns in options
    ]
    index = int(np.argmin(sigmas))
    return Forecast(turns_rad=options[index], sigma_rad=sigmas[index], reaches_wish=False)


def _layouts(count: int) -> Iterator[tuple[float, ...]]:
    """Yield where along the sweep the frames may lie: even, at the ends, or about the middle.

    Near the axis repeats belong at the ends, far from it in the middle; one frame in between is
    always kept, so that the frames check each other at three different turns.
    """
    yield tuple(float(x) for x in np.linspace(0.0, 1.0, count))
    if count >= _FEWEST_FRAMES + 1:
        yield (0.0, *([0.5] * (count - 2)), 1.0)
        at_start = (count - 1) // 2
        yield (*([0.0] * at_start), 0.5, *([1.0] * (count - 1 - at_start)))
