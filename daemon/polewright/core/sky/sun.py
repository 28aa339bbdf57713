"""The Sun: where it stands, for its own methods and to keep the optics away from it."""

from datetime import datetime

import erfa
import numpy as np

from polewright.core.geometry.directions import unit
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.instant import utc_julian_dates
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place


def sun_enu(place: Place, instant: datetime) -> Vector:
    """Return the observed direction of the Sun's centre (East-North-Up).

    ERFA ``epv00`` (0.005 arcsec of a JPL ephemeris), seen from the site itself, so that the
    parallax of 8.8 arcsec is in; then aberration and refraction as for a star.
    """
    moment = ObservingMoment.at(place, instant)
    first, second = utc_julian_dates(instant)
    heliocentric, barycentric = erfa.epv00(*erfa.taitt(*erfa.utctai(first, second)))
    sun_from_barycentre_au = barycentric["p"] - heliocentric["p"]
    direction = unit(np.asarray(sun_from_barycentre_au - moment.context["eb"]))
    return np.asarray(moment.enu_from_icrs(direction))
