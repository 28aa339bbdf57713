"""Ephemeris: where the Sun, the Moon and the bright planets are, from series, without any file.

ERFA ``epv00`` (Earth and Sun), ``moon98`` (Moon; Meeus 1998) and ``plan94`` (planets; Simon et
al., A&A 282, 663, 1994), all in barycentric or geocentric ICRS axes.
"""

import math
import warnings
from enum import StrEnum

import erfa
import numpy as np

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Vector

AU_KM = 149597870.7
# Light needs this long for one astronomical unit (d): IAU 2012 au over the speed of light.
LIGHT_DAYS_PER_AU = AU_KM / 299792.458 / 86400.0


class Body(StrEnum):
    """A body that a camera or an eye finds by day."""

    SUN = "sun"
    MOON = "moon"
    MERCURY = "mercury"
    VENUS = "venus"
    MARS = "mars"
    JUPITER = "jupiter"
    SATURN = "saturn"


# Radii (km): Sun and Jupiter IAU 2015 resolution B3 (nominal); Moon IAU 1982 (k = 0.2725076, as in
# eclipse work); planets IAU WGCCRE 2015 (equatorial), Venus with its clouds (65 km).
RADIUS_KM = {
    Body.SUN: 695700.0,
    Body.MOON: 1738.1,
    Body.MERCURY: 2440.5,
    Body.VENUS: 6051.8 + 65.0,
    Body.MARS: 3396.2,
    Body.JUPITER: 71492.0,
    Body.SATURN: 60268.0,
}

# How far places seen from the Earth are off (rad, rms 2025 to 2035): measured against the JPL
# ephemeris DE421, rounded up (tests).  The largest errors are three to five times this.
ACCURACY_RAD = {
    Body.SUN: 0.01 * ARCSEC_RAD,
    Body.MOON: 3.0 * ARCSEC_RAD,
    Body.MERCURY: 0.5 * ARCSEC_RAD,
    Body.VENUS: 2.0 * ARCSEC_RAD,
    Body.MARS: 11.0 * ARCSEC_RAD,
    Body.JUPITER: 15.0 * ARCSEC_RAD,
    Body.SATURN: 48.0 * ARCSEC_RAD,
}

_PLANET_NUMBERS = {
    Body.MERCURY: 1,
    Body.VENUS: 2,
    Body.MARS: 4,
    Body.JUPITER: 5,
    Body.SATURN: 6,
}


def geometric_au(body: Body, first: float, second: float) -> tuple[Vector, Vector]:
    """Return the barycentric places (au) of a body and of the Sun at a terrestrial time.

    Parameters
    ----------
    body : Body
        Which.
    first, second : float
        Two-part Julian date, TT.
    """
    heliocentric, barycentric = erfa.epv00(first, second)
    sun = np.asarray(barycentric["p"] - heliocentric["p"])
    match body:
        case Body.SUN:
            place = sun
        case Body.MOON:
            place = np.asarray(barycentric["p"] + erfa.moon98(first, second)["p"])
        case _:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", erfa.ErfaWarning)
                planet = erfa.plan94(first, second, _PLANET_NUMBERS[body])
            place = np.asarray(sun + planet["p"])
    return place, sun


def angular_radius_rad(body: Body, distance_au: float) -> float:
    """Return half the angle that a body's disc spans at a distance (rad)."""
    return math.asin(RADIUS_KM[body] / (distance_au * AU_KM))
