"""Axes: the mount's motors and what the mount believes of them.

The mount thinks that it is perfect: it turns a right ascension and declination of date into
encoder angles with the sidereal time of its own clock and site, and nothing else.  Axis angles
count as in :mod:`~polewright_drivers.sky_simulator.mechanics`.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

SIDEREAL_RATE_DEG_S = 360.98564736629 / 86400.0
"""Mean sidereal rate (deg per s of UT), IAU 2006 Earth rotation plus precession."""

# The Sun takes a day, the Moon 50 minutes more, to come back to the meridian (mean values).
RATES = {
    "TRACK_SIDEREAL": SIDEREAL_RATE_DEG_S,
    "TRACK_SOLAR": 360.0 / 86400.0,
    "TRACK_LUNAR": 14.685 / 3600.0,
}
"""Tracking rates (deg per s)."""


class Side(StrEnum):
    """Side of the pier that the tube is on."""

    WEST = "west"
    EAST = "east"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place of date in hours of angle: hour angle west-positive and declination (deg)."""

    hour_angle_deg: float
    declination_deg: float


def wrap_deg(angle_deg: float) -> float:
    """Return the angle within -180 (included) to 180 deg."""
    return (angle_deg + 180.0) % 360.0 - 180.0


def angles_of(place: Place, hemisphere: float, side: Side) -> tuple[float, float]:
    """Return both axis angles (deg) of a perfect mount that points there.

    Parameters
    ----------
    place : Place
        Where to point.
    hemisphere : float
        +1 north, -1 south.
    side : Side
        The tube west of the pier looks over axis 2's near half, east of it over the far half.
    """
    hour_angle_deg = wrap_deg(place.hour_angle_deg)
    if side is Side.WEST:
        return -hemisphere * hour_angle_deg, hemisphere * place.declination_deg
    return (
        -hemisphere * (hour_angle_deg - 180.0),
        180.0 - hemisphere * place.declination_deg,
    )


def place_of(axis_1_deg: float, axis_2_deg: float, hemisphere: float) -> tuple[Place, Side]:
    """Return where a perfect mount with these axis angles points, and the tube's side."""
    axis_2_deg = wrap_deg(axis_2_deg - 90.0) + 90.0
    if axis_2_deg <= 90.0:
        return (
            Place(
                hour_angle_deg=wrap_deg(-hemisphere * axis_1_deg),
                declination_deg=hemisphere * axis_2_deg,
            ),
            Side.WEST,
        )
    return (
        Place(
            hour_angle_deg=wrap_deg(180.0 - hemisphere * axis_1_deg),
            declination_deg=hemisphere * (180.0 - axis_2_deg),
        ),
        Side.EAST,
    )


class Axes:
    """Two motors with encoders, moved by time.

    Parameters
    ----------
    hemisphere : float
        +1 north, -1 south.
    slew_rate_deg_s : float
        Of each axis.
    parked : bool
        Whether the mount starts parked; it stands at home either way (counterweight down, tube
        along the polar axis).
    flips : bool
        Whether the tube changes the side of the pier at the meridian; a fork's does not.
    """

    def __init__(
        self, *, hemisphere: float, slew_rate_deg_s: float, parked: bool, flips: bool = True
    ) -> None:
        self._flips = flips
        self.tracking_rate_deg_s = SIDEREAL_RATE_DEG_S
        self.slewed_deg = 0.0
        self.still_s = math.inf
        self._hemisphere = hemisphere
        self._rate_deg_s = slew_rate_deg_s
        self.home_deg = (90.0 * hemisphere, 90.0)
        self.motor_deg = list(self.home_deg)
        self.offset_deg = [0.0, 0.0]
        self.tracking = False
        self.parked = parked
        self._target_deg: list[float] | None = None
        self._target_follows_sky = False
        self._track_after = False
        self._park_after = False

    @property
    def slewing(self) -> bool:
        """True while a go-to or a parking is under way."""
        return self._target_deg is not None

    def believed(self) -> tuple[Place, Side]:
        """Return where the mount believes that it points."""
        first = self.motor_deg[0] + self.offset_deg[0]
        second = self.motor_deg[1] + self.offset_deg[1]
        return place_of(first, second, self._hemisphere)

    def go_to(self, place: Place, *, track: bool) -> None:
        """Start a slew to a place that moves with the sky; the tube goes west for the east."""
        west = wrap_deg(place.hour_angle_deg) < 0.0 or not self._flips
        side = Side.WEST if west else Side.EAST
        angles = angles_of(place, self._hemisphere, side)
        self._target_deg = [a - o for a, o in zip(angles, self.offset_deg, strict=True)]
        self._target_follows_sky = True
        self._track_after = track
        self._park_after = False

    def sync(self, place: Place) -> None:
        """Believe to point there, on the side where the tube is."""
        _, side = self.believed()
        angles = angles_of(place, self._hemisphere, side)
        self.offset_deg = [a - m for a, m in zip(angles, self.motor_deg, strict=True)]

    def park(self) -> None:
        """Start the way home; parked when there."""
        self._target_deg = list(self.home_deg)
        self._target_follows_sky = False
        self._track_after = False
        self._park_after = True

    def track(self, *, on: bool) -> None:
        """Switch sidereal tracking; during a slew: what to do at its end."""
        if self.slewing:
            self._track_after = on
        else:
            self.tracking = on

    def abort(self) -> None:
        """Stop everything."""
        self._target_deg = None
        self._park_after = False
        self.tracking = False

    def advance(self, duration_s: float) -> None:
        """Let the motors run for a while (s).

        ``slewed_deg`` adds up what axis 1 went in slews, ``still_s`` the time since the last.
        """
        sky_deg = -self._hemisphere * SIDEREAL_RATE_DEG_S * duration_s
        if self._target_deg is None:
            self.still_s += duration_s
            if self.tracking:
                self.motor_deg[0] -= self._hemisphere * self.tracking_rate_deg_s * duration_s
            return
        before_deg = self.motor_deg[0]
        if self._target_follows_sky:
            self._target_deg[0] += sky_deg
        arrived = True
        for i, target in enumerate(self._target_deg):
            way = target - self.motor_deg[i]
            reach = self._rate_deg_s * duration_s
            if abs(way) <= reach:
                self.motor_deg[i] = target
            else:
                self.motor_deg[i] += math.copysign(reach, way)
                arrived = False
        self.slewed_deg += self.motor_deg[0] - before_deg
        self.still_s = 0.0
        if arrived:
            self._target_deg = None
            self.tracking = self._track_after
            self.parked = self._park_after
