"""Doubts: what is wrong or contradictory about place and time, and what it means for the person."""

import math
from dataclasses import dataclass
from enum import StrEnum

# One turn of the Earth against the Sun (deg of hour angle per hour of clock).
SUN_DEG_PER_HOUR = 15.0
# The Sun's cone has a margin of 3 deg for an axis that is off; what takes it all is no margin.
TOLERATED_SUN_DEG = 3.0


class Bars(StrEnum):
    """Which motion of the mount a doubt forbids."""

    NOTHING = "nothing"
    BY_DAY = "by_day"
    """While the Sun is up: where the Sun is, is known; where the mount points, is not."""
    ALWAYS = "always"
    """Nobody knows whether the Sun is up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """One thing that does not fit.

    Attributes
    ----------
    code : str
        Stable lower-case identifier.
    text : str
        What does not fit.
    consequence : str
        What it does to the survey and to the interlocks, with figures.
    remedy : str
        What to do.
    bars : Bars
        Which motion it forbids.
    """

    code: str
    text: str
    consequence: str
    remedy: str
    bars: Bars = Bars.NOTHING


def survey_words(turn_deg: float) -> str:
    """Return what a wrong turn of the sky about the pole (deg) does to a survey from stars.

    Axis and pole turn together: of the error only its product with the axis's distance from the
    pole survives (0.26 arcsec per second of clock and degree of distance).
    """
    arcsec = 3600.0 * 2.0 * math.sin(math.radians(min(abs(turn_deg), 180.0)) / 2.0)
    if arcsec < 1.0:
        return "the axis survey does not feel it"
    size = f"{arcsec:.0f} arcsec" if arcsec < 90.0 else f"{arcsec / 60.0:.0f} arcmin"
    return f"the axis survey errs by up to {size} for each degree that the axis is off"


def motion_words(bars: Bars, sun_deg: float) -> str:
    """Return what a wrong Sun (deg) does to motion."""
    cone = f"the Sun's cone would be wrong by up to {_degrees(sun_deg)}"
    match bars:
        case Bars.NOTHING:
            return f"{cone}, inside its margin" if sun_deg <= TOLERATED_SUN_DEG else cone
        case Bars.BY_DAY:
            return f"{cone}: motion is refused while the Sun is up"
        case Bars.ALWAYS:
            return f"{cone}: motion is refused until it is settled"


def _degrees(angle_deg: float) -> str:
    return f"{angle_deg:.0f} deg" if angle_deg >= 9.5 else f"{angle_deg:.1f} deg"
