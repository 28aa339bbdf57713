"""Student's t: how far off one more value may be when few have taught its spread."""

import math
from functools import lru_cache

_ROUNDS = 200


def student_cdf(t: float, degrees_of_freedom: int) -> float:
    """Return the probability that Student's t is below ``t``.

    Closed forms for whole degrees of freedom (Abramowitz & Stegun 26.7.3 and 26.7.4).
    """
    theta = math.atan2(t, math.sqrt(degrees_of_freedom))
    cos2 = math.cos(theta) ** 2
    if degrees_of_freedom % 2:
        term = total = math.cos(theta) if degrees_of_freedom > 1 else 0.0
        for k in range(2, degrees_of_freedom - 1, 2):
            term *= cos2 * k / (k + 1)
            total += term
        inside = 2.0 / math.pi * (theta + math.sin(theta) * total)
    else:
        term = total = 1.0
        for k in range(1, degrees_of_freedom - 1, 2):
            term *= cos2 * k / (k + 1)
            total += term
        inside = math.sin(theta) * total
    return 0.5 * (1.0 + inside)


@lru_cache(maxsize=256)
def student_half_width(probability: float, degrees_of_freedom: int) -> float:
    """Return the ``t`` that Student's t stays within, to either side, with this probability.

    Parameters
    ----------
    probability : float
        Above 0 and below 1.
    degrees_of_freedom : int
        From 1.
    """
    if not 0.0 < probability < 1.0 or degrees_of_freedom < 1:
        raise ValueError(f"no such width: {probability}, {degrees_of_freedom}")
    low, high = 0.0, 1.0
    wanted = 0.5 * (1.0 + probability)
    while student_cdf(high, degrees_of_freedom) < wanted:
        low, high = high, 2.0 * high
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (
            (middle, high) if student_cdf(middle, degrees_of_freedom) < wanted else (low, middle)
        )
    return 0.5 * (low + high)
