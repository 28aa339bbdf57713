"""Daylight: how bright the sky is, by the Sun's altitude and by where one looks.

Zenith: by twilight the fit of Patat, Ugolnikov and Postylyakov (2006, A&A 455, 385) in V, given
there for Sun altitudes from -5 to -15 deg (coefficients from memory); by day round figures of the
luminance of a clear zenith (common practice, no source).  Across the sky by day: the gradation and
indicatrix of the CIE standard clear sky of low turbidity, type 12 (CIE S 011 / ISO 15469:2004,
parameters from memory).  Moonlight is left out.
"""

import math

import numpy as np

# V (mag per square arcsec) of a clear zenith at these altitudes of the Sun (deg).
_TWILIGHT_DEG = tuple(range(-15, -4))
_TWILIGHT_MAG = tuple(
    11.84 + 1.518 * (-5.0 - altitude) - 0.057 * (-5.0 - altitude) ** 2 for altitude in _TWILIGHT_DEG
)
# 150, 700, 2000, 4000 and 7000 cd/m^2; a candela per square metre is 12.58 mag per square arcsec.
_DAY_DEG = (0.0, 8.0, 25.0, 50.0, 90.0)
_DAY_MAG = (7.1, 5.5, 4.3, 3.6, 3.0)
# Twilight ends: the fit, which holds the night's own light, runs out below it.
_END_DEG, _END_MAG = -18.0, 25.0
_ALTITUDES_DEG = (_END_DEG, *_TWILIGHT_DEG, *_DAY_DEG)
_MAGNITUDES = (_END_MAG, *_TWILIGHT_MAG, *_DAY_MAG)

_GRADATION = (-1.0, -0.32)
_INDICATRIX = (10.0, -3.0, 0.45)
# Below this altitude of the Sun the twilight is taken as equally bright all over (deg).
_EVEN_DEG = -6.0
# The secant goes to infinity at the horizon.
_LOWEST_DEG = 2.0
_HIGHEST_ZENITH_DEG = 90.0 - _LOWEST_DEG


def zenith_mag_arcsec2(sun_altitude_deg: float) -> float:
    """Return what sunlight adds to the zenith (V, mag per square arcsec); infinite by night."""
    if sun_altitude_deg < _END_DEG:
        return math.inf
    return float(np.interp(sun_altitude_deg, _ALTITUDES_DEG, _MAGNITUDES))


def clear_sky_ratio(sun_zenith_deg: float, zenith_deg: float, separation_deg: float) -> float:
    """Return the luminance of a clear day's sky over that of its zenith.

    Parameters
    ----------
    sun_zenith_deg, zenith_deg : float
        Zenith distances of the Sun and of the place looked at.
    separation_deg : float
        Between both.
    """

    def gradation(distance_deg: float) -> float:
        a, b = _GRADATION
        secant = 1.0 / math.cos(math.radians(min(distance_deg, _HIGHEST_ZENITH_DEG)))
        return 1.0 + a * math.exp(b * secant)

    def indicatrix(angle_deg: float) -> float:
        c, d, e = _INDICATRIX
        angle = math.radians(angle_deg)
        scattered = c * (math.exp(d * angle) - math.exp(d * math.pi / 2.0))
        return 1.0 + scattered + e * math.cos(angle) ** 2

    there = indicatrix(separation_deg) * gradation(zenith_deg)
    return there / (indicatrix(sun_zenith_deg) * gradation(0.0))


def daylight_mag_arcsec2(
    sun_altitude_deg: float, altitude_deg: float, separation_deg: float
) -> float:
    """Return what sunlight adds to the sky at a place (V, mag per square arcsec).

    Parameters
    ----------
    sun_altitude_deg, altitude_deg : float
        Of the Sun and of the place.
    separation_deg : float
        Between both.
    """
    zenith = zenith_mag_arcsec2(sun_altitude_deg)
    day_part = min(max((sun_altitude_deg - _EVEN_DEG) / -_EVEN_DEG, 0.0), 1.0)
    if math.isinf(zenith) or day_part == 0.0:
        return zenith
    sun_zenith_deg = 90.0 - max(sun_altitude_deg, _LOWEST_DEG)
    ratio = clear_sky_ratio(sun_zenith_deg, 90.0 - altitude_deg, separation_deg)
    return zenith - 2.5 * day_part * math.log10(ratio)
