"""Ways of a slew: every direction that a mount may sweep over between two places.

Nobody tells which way a mount takes.  Both axes may run at once or one after the other, each at
its own pace: whatever the paces, hour angle and declination each stay between their ends, so the
whole rectangle between the two places is taken.  A mount on a pier may also go round it: then the
hour angle runs half a turn farther and the declination runs over the pole.  In these coordinates
of the axes (hour angle beyond half a turn, declination beyond the pole) that way is a rectangle
too.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.sky.place import Place

# Between samples the distance to the Sun changes by under 0.1 deg of what it is at the nearer one
# (second order), where it is over 10 deg.
_STEP_DEG = 1.5
# A go-to may take the other way round where both are about half a turn (deg).
_EITHER_WAY_DEG = 150.0
# Mounts track past the meridian for an hour or two before they must change sides; one that did so
# for three hours (45 deg) may change sides at any go-to.
_WRONG_SIDE_DEG = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One rectangle in the coordinates of the axes (deg).

    Attributes
    ----------
    hour_angles_deg, declinations_deg : (float, float)
        From and to; an hour angle may exceed half a turn, a declination the pole.
    round_the_pier : bool
        Whether the mount changes sides.
    """

    hour_angles_deg: tuple[float, float]
    declinations_deg: tuple[float, float]
    round_the_pier: bool = False

    def directions_enu(self, place: Place) -> NDArray[np.float64]:
        """Return samples of all its directions (East-North-Up, without the air), n x 3."""
        hour_angles, declinations = np.meshgrid(
            _samples(self.hour_angles_deg), _samples(self.declinations_deg)
        )
        return directions_enu(hour_angles.ravel(), declinations.ravel(), place)


def directions_enu(
    hour_angles_deg: NDArray[np.float64], declinations_deg: NDArray[np.float64], place: Place
) -> NDArray[np.float64]:
    """Return the directions (East-North-Up, without the air) of places of date (deg), n x 3."""
    h, d = np.radians(hour_angles_deg), np.radians(declinations_deg)
    sin_lat, cos_lat = math.sin(place.latitude_rad), math.cos(place.latitude_rad)
    return np.column_stack(
        [
            -np.cos(d) * np.sin(h),
            np.sin(d) * cos_lat - np.cos(d) * np.cos(h) * sin_lat,
            np.sin(d) * sin_lat + np.cos(d) * np.cos(h) * cos_lat,
        ]
    )


def possible_ways(
    start_deg: tuple[float, float], end_deg: tuple[float, float], place: Place
) -> tuple[Way, ...]:
    """Return every way from a place to another (hour angle within half a turn, declination; deg).

    The first is the plain one.
    """
    (start, start_dec), (end, end_dec) = start_deg, end_deg
    ways = [Way(hour_angles_deg=(start, end), declinations_deg=(start_dec, end_dec))]
    if abs(end - start) > _EITHER_WAY_DEG:
        other = end + 360.0 if end < start else end - 360.0
        ways.append(Way(hour_angles_deg=(start, other), declinations_deg=(start_dec, end_dec)))
    beyond_the_pole = (-180.0 if place.south else 180.0) - end_dec
    # The weights pass below the axis: with the hour angle growing, or shrinking.
    ways.extend(
        Way(
            hour_angles_deg=(start, end + sense * 180.0),
            declinations_deg=(start_dec, beyond_the_pole),
            round_the_pier=True,
        )
        for sense in (1.0, -1.0)
        if sense * start >= -_WRONG_SIDE_DEG and sense * end <= _WRONG_SIDE_DEG
    )
    return tuple(ways)


def _samples(ends: tuple[float, float]) -> NDArray[np.float64]:
    count = max(2, math.ceil(abs(ends[1] - ends[0]) / _STEP_DEG) + 1)
    return np.linspace(ends[0], ends[1], count)
