"""Drift in words: what one target tells of the axis, what it hides, and how long it takes."""

import math

from polewright.core.axis.correction import amount_words
from polewright.core.axis.drift import DriftEstimate
from polewright.core.geometry.directions import ARCMIN_RAD

# A drift rate over T is sure to T^-1.5, where looks come evenly.
_POWER = 1.5
# From here on a direction is one of the bolts' (cosine).
_ALONG = 0.92
# So much worse, and the second component is called unknown.
_ONE_SIDED = 4.0
_LONGEST_TOLD_MIN = 120.0


def minutes_until(sigma_rad: float, duration_s: float, wish_rad: float) -> float:
    """Return how many more minutes until a sigma is what is wished, at this pace; 0: it is."""
    if sigma_rad <= wish_rad:
        return 0.0
    return duration_s * (math.pow(sigma_rad / wish_rad, 1.0 / _POWER) - 1.0) / 60.0


def progress_words(estimate: DriftEstimate, wish_rad: float) -> str:
    """Return what is known so far, how long until both components are sure, and what helps.

    Parameters
    ----------
    wish_rad : float
        The sigma that is wished of each.
    """
    best, worst = estimate.best_sigma_rad, estimate.sigma_rad
    east, up = estimate.best_direction
    wish = amount_words(wish_rad)
    known, other, where = "one direction", "the other", "about 6 h away"
    if abs(east) > _ALONG:
        known, other, where = "azimuth", "altitude", "toward the east or the west"
    elif abs(up) > _ALONG:
        known, other, where = "altitude", "azimuth", "near the meridian"
    if worst <= wish_rad:
        return f"sure to {amount_words(worst)} both ways"
    if best > wish_rad:
        minutes = minutes_until(best, estimate.duration_s, wish_rad)
        told = f"{known} sure to {amount_words(best)}; to {wish} {_in(minutes)}"
    else:
        told = f"{known} sure to {amount_words(best)}"
    if worst < _ONE_SIDED * best and best > wish_rad:
        return told
    minutes = minutes_until(worst, estimate.duration_s, wish_rad)
    if worst > 60.0 * ARCMIN_RAD or minutes > _LONGEST_TOLD_MIN:
        here = f"{other} does not show here"
    else:
        here = f"{other} to {amount_words(worst)}, to {wish} {_in(minutes)}"
    return f"{told}; {here}: a target {where} tells it sooner"


def _in(minutes: float) -> str:
    if minutes < 1.0:
        return "in under a minute"
    if minutes > _LONGEST_TOLD_MIN:
        return "not tonight"
    return f"in about {math.ceil(minutes)} min"
