"""Exposing: from what one frame shows to the exposure of the next."""

from dataclasses import dataclass

from polewright.core.imaging.stars import StarList

ENOUGH_STARS = 20
"""So many identified stars fix a frame; more improve it by the square root of their number."""

SHORTEST_S = 0.05
LONGEST_S = 8.0
"""Beyond this a frame costs more of the evening than its stars are worth."""

_FEW_STARS = 6
# Where the sky fills more of a pixel than this, stars drown in its noise and clip (fraction).
_BRIGHT_SKY = 0.5
_USUAL_SKY = 0.25
# Centres of clipped stars are poor; some bright ones are no harm (fraction of the stars).
_MANY_SATURATED = 0.4
_LIVE_STARS = 30
# Fewer, and one cloud more leaves none; so many are still there at half the exposure (the exponent
# below), with room above the few.
_LIVE_FEW_STARS = 8
_LIVE_MANY_STARS = 18
_LIVE_SHORTEST_S = 0.1
_LIVE_LONGEST_S = 1.0
# Stars in number ~ time ** 0.6: ten times deeper are 0.5 mag of sky-limited light times 10**0.45
# per mag of star counts at middle latitudes (Allen's Astrophysical Quantities, star counts).
_COUNT_EXPONENT = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureAdvice:
    """What to do after a frame.

    ``good``: this exposure will do; else ``next_s`` is to be tried, or None: nothing better.
    """

    good: bool
    next_s: float | None
    words: str


def advise(
    exposure_s: float,
    matched: int,
    stars: StarList,
    saturation: float | None,
    *,
    shortest_s: float = SHORTEST_S,
    longest_s: float = LONGEST_S,
) -> ExposureAdvice:
    """Return whether an exposure will do, and which one to try next where not.

    Parameters
    ----------
    exposure_s : float
        Of the frame (s).
    matched : int
        Stars identified; 0 where it was not solved.
    stars : StarList
        What was found in it.
    saturation : float or None
        Pixel value at which the sensor is full.
    shortest_s, longest_s : float
        Nothing beyond these is advised (s).
    """
    sky = stars.background_adu / saturation if saturation else 0.0
    if sky > _BRIGHT_SKY:
        shorter = _between(exposure_s * max(0.1, _USUAL_SKY / sky), shortest_s, longest_s)
        words = f"the sky fills {sky:.0%} of the sensor's range"
        return _other(exposure_s, shorter, matched, words)
    if stars.saturated_fraction > _MANY_SATURATED and matched >= _FEW_STARS:
        shorter = _between(exposure_s * 0.4, shortest_s, longest_s)
        words = f"{stars.saturated_fraction:.0%} of the stars are saturated"
        return _other(exposure_s, shorter, matched, words)
    if matched >= ENOUGH_STARS:
        return ExposureAdvice(good=True, next_s=None, words=f"{matched} stars")
    longer = exposure_s * (2.0 if matched >= _FEW_STARS else 4.0)
    if sky > 0.0:
        longer = min(longer, exposure_s * _BRIGHT_SKY / sky)
    words = f"{matched} stars are identified" if matched else "no stars are identified"
    return _other(exposure_s, _between(longer, shortest_s, longest_s), matched, words)


def live_exposure_s(exposure_s: float, matched: int) -> float:
    """Return a shorter exposure for hands that wait (s), which should still show enough stars."""
    if matched <= 0:
        return min(exposure_s, _LIVE_LONGEST_S)
    shorter = exposure_s * min(1.0, (_LIVE_STARS / matched) ** (1.0 / _COUNT_EXPONENT))
    return min(exposure_s, _between(shorter, _LIVE_SHORTEST_S, _LIVE_LONGEST_S))


def next_live_exposure_s(
    exposure_s: float, matched: int, *, shortest_s: float, longest_s: float
) -> float:
    """Return the exposure of the next live frame (s) after one with so many identified stars.

    Parameters
    ----------
    exposure_s : float
        Of the frame (s).
    matched : int
        Stars identified; 0 where it was not solved.
    shortest_s, longest_s : float
        Bounds (s).
    """
    if matched < _LIVE_FEW_STARS:
        return _between(2.0 * exposure_s, shortest_s, longest_s)
    if matched >= _LIVE_MANY_STARS:
        return _between(0.5 * exposure_s, shortest_s, longest_s)
    return _between(exposure_s, shortest_s, longest_s)


def _other(exposure_s: float, next_s: float, matched: int, words: str) -> ExposureAdvice:
    """Advise another exposure, unless it is hardly another."""
    if abs(next_s / exposure_s - 1.0) < 0.1:
        return ExposureAdvice(good=matched > 0, next_s=None, words=words)
    return ExposureAdvice(good=False, next_s=next_s, words=words)


def _between(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)
