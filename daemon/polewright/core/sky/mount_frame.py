"""Mount coordinates: hour angle and right ascension of date."""

import math
from datetime import datetime

from polewright.core.geometry.directions import wrap_half_turn
from polewright.core.sky.instant import local_apparent_sidereal_time
from polewright.core.sky.place import Place


def hour_angle_deg(right_ascension_deg: float, instant: datetime, place: Place) -> float:
    """Return the hour angle (deg, -180 to 180, west positive) of a right ascension of date."""
    sidereal = local_apparent_sidereal_time(instant, place.longitude_deg)
    return math.degrees(wrap_half_turn(sidereal - math.radians(right_ascension_deg)))


def right_ascension_deg(hour_angle: float, instant: datetime, place: Place) -> float:
    """Return the right ascension of date (deg, 0 to 360) that stands at an hour angle (deg)."""
    sidereal = local_apparent_sidereal_time(instant, place.longitude_deg)
    return (math.degrees(sidereal) - hour_angle) % 360.0
