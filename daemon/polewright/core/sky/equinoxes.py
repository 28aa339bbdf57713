"""Equinoxes: places of date (JNow) and of J2000, for mounts that speak of one or the other.

Seen from the Earth's centre: the difference to a site, diurnal aberration, is 0.3 arcsec.
"""

import math
import warnings
from datetime import datetime

import erfa

from polewright.core.sky.instant import terrestrial_julian_dates


def of_date_from_j2000(
    right_ascension_deg: float, declination_deg: float, instant: datetime
) -> tuple[float, float]:
    """Return the apparent place of date (deg) of an astrometric J2000 (ICRS) place.

    ERFA ``atci13``: light deflection, annual aberration, precession and nutation.
    """
    first, second = terrestrial_julian_dates(instant)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        ra, dec, origins = erfa.atci13(
            math.radians(right_ascension_deg), math.radians(declination_deg),
            0.0, 0.0, 0.0, 0.0, first, second,
        )  # fmt: skip
    return math.degrees(float(ra - origins)) % 360.0, math.degrees(float(dec))


def j2000_from_of_date(
    right_ascension_deg: float, declination_deg: float, instant: datetime
) -> tuple[float, float]:
    """Return the astrometric J2000 (ICRS) place (deg) of an apparent place of date.

    ERFA ``atic13``, the inverse of the above.
    """
    first, second = terrestrial_julian_dates(instant)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        context_origins = erfa.eo06a(first, second)
        ra, dec, _ = erfa.atic13(
            math.radians(right_ascension_deg) + context_origins, math.radians(declination_deg),
            first, second,
        )  # fmt: skip
    return math.degrees(float(ra)) % 360.0, math.degrees(float(dec))
