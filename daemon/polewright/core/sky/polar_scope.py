"""Polar scope: where the stars about the elevated pole stand as an eye sees them there.

The clock face is that of the eye: 12 o'clock is the top of the view with the head upright.
"""

import math
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import erfa
import numpy as np

from polewright.core.geometry.directions import altaz_from_enu, wrap_half_turn
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.instant import local_apparent_sidereal_time
from polewright.core.sky.observed import ObservingMoment, pole_enu
from polewright.core.sky.place import Place

_MAS_RAD = math.pi / 648_000_000.0
# J1991.25 and J2000.0 as Julian dates.
_HIPPARCOS_EPOCH = (2448349.0625, 0.0)
_J2000 = (2451545.0, 0.0)
_TURN = 2.0 * math.pi
_CLOCK_MINUTES = 720


class View(StrEnum):
    """How an instrument shows the sky to the eye."""

    UPRIGHT = "upright"
    """As the naked eye sees it."""
    INVERTED = "inverted"
    """Turned by half a turn: upside down, and left and right exchanged."""
    MIRRORED = "mirrored"
    """Upright, but left and right exchanged."""
    MIRRORED_INVERTED = "mirrored-inverted"
    """Upside down, but left and right as they are."""

    @property
    def signs(self) -> tuple[int, int]:
        """What becomes of the naked eye's right and of its up: 1 kept, -1 reversed."""
        return _SIGNS[self]


_SIGNS = {
    View.UPRIGHT: (1, 1),
    View.INVERTED: (-1, -1),
    View.MIRRORED: (-1, 1),
    View.MIRRORED_INVERTED: (1, -1),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PoleStar:
    """A star by which people find a pole.

    Attributes
    ----------
    name, letter : str
        What it is called, and one letter for drawings.
    hipparcos : int
        Its number in the Hipparcos catalogue.
    right_ascension_rad, declination_rad : float
        ICRS at epoch J1991.25 (rad).
    motion_mas_yr : (float, float)
        Proper motion in right ascension times cos(declination), and in declination (mas per year).
    parallax_mas : float
        Parallax (mas).
    magnitude : float
        Brightness in the catalogue's own band (Hp).
    """

    name: str
    letter: str
    hipparcos: int
    right_ascension_rad: float
    declination_rad: float
    motion_mas_yr: tuple[float, float]
    parallax_mas: float
    magnitude: float


# Source: Hipparcos, the New Reduction (van Leeuwen 2007, A&A 474, 653; ESA; catalogue I/311).
NORTHERN = (
    PoleStar(
        name="Polaris", letter="P", hipparcos=11767,
        right_ascension_rad=0.6622851337, declination_rad=1.5579531082,
        motion_mas_yr=(44.48, -11.85), parallax_mas=7.54, magnitude=2.11,
    ),
)  # fmt: skip
SOUTHERN = (
    PoleStar(
        name="sigma Octantis", letter="S", hipparcos=104382,
        right_ascension_rad=5.5360399969, declination_rad=-1.5525840108,
        motion_mas_yr=(25.75, 4.98), parallax_mas=11.61, magnitude=5.52,
    ),
    PoleStar(
        name="chi Octantis", letter="X", hipparcos=92824,
        right_ascension_rad=4.9514735010, declination_rad=-1.5290046738,
        motion_mas_yr=(-36.88, -134.96), parallax_mas=12.70, magnitude=5.44,
    ),
    PoleStar(
        name="tau Octantis", letter="T", hipparcos=115836,
        right_ascension_rad=6.1438183033, declination_rad=-1.5268531572,
        motion_mas_yr=(16.83, 11.56), parallax_mas=6.71, magnitude=5.66,
    ),
    PoleStar(
        name="upsilon Octantis", letter="U", hipparcos=111196,
        right_ascension_rad=5.8976004578, declination_rad=-1.5004142135,
        motion_mas_yr=(-37.08, 61.28), parallax_mas=10.06, magnitude=5.93,
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedStar:
    """A star about the pole at one place and instant.

    Attributes
    ----------
    star : PoleStar
        Which.
    hour_angle_rad : float
        Apparent, of date (rad, 0 to 2 pi, growing with time).
    declination_rad : float
        Apparent, of date (rad).
    right_rad, up_rad : float
        Where the naked eye sees it from the pole: on the plane that touches the sky at the
        refracted pole, to the right and toward the zenith (rad).
    altitude_rad, azimuth_rad : float
        Observed, refraction in (rad).
    """

    star: PoleStar
    hour_angle_rad: float
    declination_rad: float
    right_rad: float
    up_rad: float
    altitude_rad: float
    azimuth_rad: float

    @property
    def offset_rad(self) -> float:
        """Distance from the pole of date, without the air (rad)."""
        return math.pi / 2.0 - abs(self.declination_rad)

    def seen(self, view: View) -> tuple[float, float]:
        """Return where a view shows it from the pole: to the right and up (rad)."""
        across, along = view.signs
        return across * self.right_rad, along * self.up_rad

    def clockwise_rad(self, view: View) -> float:
        """Return its place on a view's clock face: from the top, clockwise (rad, 0 to 2 pi)."""
        return math.atan2(*self.seen(view)) % _TURN


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarScope:
    """The stars about the elevated pole of a place at an instant.

    Attributes
    ----------
    instant : datetime
        Aware UTC instant.
    south : bool
        True where the elevated pole is the southern one.
    pole_altitude_rad : float
        Of the refracted pole (rad).
    stars : tuple of PlacedStar
        The pole star first.
    """

    instant: datetime
    south: bool
    pole_altitude_rad: float
    stars: tuple[PlacedStar, ...]

    def turns_clockwise(self, view: View) -> bool:
        """Return whether the stars go clockwise in a view as time goes on."""
        across, along = view.signs
        # The naked eye that faces north has east on the right: stars rise there and go over.
        return self.south == (across * along > 0)


def polar_scope(place: Place, instant: datetime) -> PolarScope:
    """Return where the stars about the elevated pole stand."""
    moment = ObservingMoment.at(place, instant)
    pole = pole_enu(place, refracted=True)
    altitude = altaz_from_enu(pole)[0]
    # Written out from the pole's own azimuth: it keeps its meaning at the Earth's poles.
    facing = -1.0 if place.south else 1.0
    right = np.array([facing, 0.0, 0.0])
    up = np.array([0.0, -facing * math.sin(altitude), math.cos(altitude)])
    stars = SOUTHERN if place.south else NORTHERN
    return PolarScope(
        instant=instant,
        south=place.south,
        pole_altitude_rad=altitude,
        stars=tuple(_placed(star, moment, (pole, right, up)) for star in stars),
    )


def clock_words(clockwise_rad: float) -> str:
    """Return a direction as the time at which a clock's short hand points there, "4:20"."""
    minutes = round(clockwise_rad / _TURN * _CLOCK_MINUTES) % _CLOCK_MINUTES
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def apparent_of_date(star: PoleStar, moment: ObservingMoment) -> tuple[float, float]:
    """Return a star's apparent right ascension and declination of date (rad).

    ERFA ``pmsafe`` (J1991.25 to J2000.0) and ``atciq``: proper motion, parallax, the bending of
    light, aberration, precession and nutation.  Radial velocities are left out: under 0.001 arcsec
    here.
    """
    motion_east, motion_north = star.motion_mas_yr
    right_ascension, declination, *rest = erfa.pmsafe(
        star.right_ascension_rad,
        star.declination_rad,
        motion_east * _MAS_RAD / math.cos(star.declination_rad),
        motion_north * _MAS_RAD,
        star.parallax_mas / 1000.0,
        0.0,
        *_HIPPARCOS_EPOCH,
        *_J2000,
    )
    seen = erfa.atciq(right_ascension, declination, *rest, moment.context)
    return float(seen[0] - moment.equation_of_the_origins_rad) % _TURN, float(seen[1])


def _placed(
    star: PoleStar, moment: ObservingMoment, view: tuple[Vector, Vector, Vector]
) -> PlacedStar:
    right_ascension, declination = apparent_of_date(star, moment)
    sidereal = local_apparent_sidereal_time(moment.instant, moment.place.longitude_deg)
    direction = moment.enu_from_of_date(right_ascension, declination)
    pole, right, up = view
    depth = float(direction @ pole)
    altitude, azimuth = altaz_from_enu(direction)
    return PlacedStar(
        star=star,
        hour_angle_rad=wrap_half_turn(sidereal - right_ascension) % _TURN,
        declination_rad=declination,
        right_rad=float(direction @ right) / depth,
        up_rad=float(direction @ up) / depth,
        altitude_rad=altitude,
        azimuth_rad=azimuth,
    )
