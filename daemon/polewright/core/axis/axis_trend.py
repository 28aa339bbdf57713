"""Trend: how fast an axis wanders that nobody turns, from surveys over weeks.

A straight line in time through what was seen, with one offset of its own for every spell between
two turnings of the bolts; so no turn of a bolt, and no return to marks, is taken for drift.  What
the surveys scatter beyond their sigma (flexure, warmth, the ground) is one more variance, such that
chi-square meets its expectation (Paule & Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.placements import NINETEEN_IN_TWENTY, TWO_IN_THREE
from polewright.core.axis.stands import AxisSeen
from polewright.core.axis.student import student_half_width
from polewright.core.geometry.directions import wrap_half_turn

_DAY_S = 86400.0
# Less than this between first and last (days) tells of the night, not of the pier.
SHORTEST_DAYS = 1.0
_HALVINGS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """How fast one coordinate of the axis wanders.

    Attributes
    ----------
    rate_rad_per_day : float
        Positive: the axis rises, or its azimuth increases (rad a day).
    sigma_rad_per_day : float
        Two times in three it is right to this (rad a day); few surveys make it larger.
    wide_rad_per_day : float
        Nineteen times in twenty (rad a day).
    scatter_rad : float
        What the surveys scatter beyond their own sigma (rad).
    surveys : int
        How many looks it is made from.
    degrees_of_freedom : int
        How many ways they could have disagreed.
    """

    rate_rad_per_day: float
    sigma_rad_per_day: float
    wide_rad_per_day: float
    scatter_rad: float
    surveys: int
    degrees_of_freedom: int

    @property
    def seen(self) -> bool:
        """True where it is told from standing still, nineteen times in twenty."""
        return abs(self.rate_rad_per_day) > self.wide_rad_per_day


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisTrend:
    """How fast altitude and azimuth of an axis wander."""

    altitude: Trend
    azimuth: Trend


def axis_trend(spells: Sequence[Sequence[AxisSeen]]) -> AxisTrend | None:
    """Return how fast the axis wanders; None where the looks cannot tell.

    Parameters
    ----------
    spells : sequence of sequences of AxisSeen
        What was seen while nobody turned a bolt or moved the tripod, spell by spell.
    """
    used = [spell for spell in spells if len(spell) > 1]
    if not used:
        return None
    times = [[one.at.timestamp() / _DAY_S for one in spell] for spell in used]
    altitudes = [[one.altitude_rad for one in spell] for spell in used]
    azimuths = [
        [wrap_half_turn(one.azimuth_rad - spell[0].azimuth_rad) for one in spell] for spell in used
    ]
    altitude = fit_trend(
        times, altitudes, [[one.altitude_sigma_rad for one in spell] for spell in used]
    )
    azimuth = fit_trend(
        times, azimuths, [[one.azimuth_sigma_rad for one in spell] for spell in used]
    )
    if altitude is None or azimuth is None:
        return None
    return AxisTrend(altitude=altitude, azimuth=azimuth)


def fit_trend(
    times_days: Sequence[Sequence[float]],
    values_rad: Sequence[Sequence[float]],
    sigmas_rad: Sequence[Sequence[float]],
) -> Trend | None:
    """Return the common slope of spells with offsets of their own; None where too little is there.

    Parameters
    ----------
    times_days : sequence of sequences of float
        When, spell by spell (days).
    values_rad, sigmas_rad : sequence of sequences of float
        What was measured then, and how well (rad).
    """
    counts = [len(spell) for spell in times_days]
    degrees = sum(counts) - len(counts) - 1
    longest = max((max(spell) - min(spell) for spell in times_days), default=0.0)
    if degrees < 1 or longest < SHORTEST_DAYS:
        return None
    spell_of = np.repeat(np.arange(len(counts)), counts)
    times = np.concatenate([np.asarray(spell, dtype=np.float64) for spell in times_days])
    values = np.concatenate([np.asarray(spell, dtype=np.float64) for spell in values_rad])
    variances = np.square(
        np.concatenate([np.asarray(spell, dtype=np.float64) for spell in sigmas_rad])
    )
    scatter2 = _extra_variance(times, values, variances, spell_of, degrees)
    rate, rate_variance, _ = _slope(times, values, variances + scatter2, spell_of)
    sigma = math.sqrt(rate_variance)
    return Trend(
        rate_rad_per_day=rate,
        sigma_rad_per_day=sigma * student_half_width(TWO_IN_THREE, degrees),
        wide_rad_per_day=sigma * student_half_width(NINETEEN_IN_TWENTY, degrees),
        scatter_rad=math.sqrt(scatter2),
        surveys=int(times.size),
        degrees_of_freedom=degrees,
    )


def _slope(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    variances: NDArray[np.float64],
    spell_of: NDArray[np.intp],
) -> tuple[float, float, float]:
    """Return slope, its variance and chi-square; the offsets are the spells' weighted means."""
    weights = 1.0 / variances
    total = np.bincount(spell_of, weights)
    across = times - (np.bincount(spell_of, weights * times) / total)[spell_of]
    up = values - (np.bincount(spell_of, weights * values) / total)[spell_of]
    normal = float(weights @ np.square(across))
    rate = float(weights @ (across * up)) / normal
    return rate, 1.0 / normal, float(weights @ np.square(up - rate * across))


def _extra_variance(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    variances: NDArray[np.float64],
    spell_of: NDArray[np.intp],
    degrees: int,
) -> float:
    """Return the variance that brings chi-square down to its expectation, by halving; 0 or more."""

    def chi2(extra: float) -> float:
        return _slope(times, values, variances + extra, spell_of)[2]

    if chi2(0.0) <= degrees:
        return 0.0
    low, high = 0.0, float(variances.min())
    while chi2(high) > degrees:
        low, high = high, 4.0 * high
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if chi2(middle) > degrees else (low, middle)
    return high
