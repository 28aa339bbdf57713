"""Solar system: where Sun, Moon and planets are seen, how large, how lit, how bright.

Places by astropy's built-in series (ERFA's: the Sun to 0.1 arcsec, the Moon and Venus to some
arcsec, Jupiter and Saturn to 25 arcsec).  Light: Sun in Gaia's G (Casagrande and VandenBerg 2018),
Moon by Allen's phase law as in Krisciunas and Schaefer (1991), both from memory; planets by Mallama
and Hilton (2018), Saturn without its rings.  V is taken as G.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.coordinates import GCRS, CartesianRepresentation, SkyCoord, get_body
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.discs import Surface
from polewright_drivers.sky_simulator.sky import Sky, instant

Array = NDArray[np.float64]

AU_KM = 149597870.7
_MEAN_MOON_KM = 384400.0
_PLACES_LIFE_S = 15.0
"""Rough places hold this long: the sky turns by under four minutes of arc."""
_MAG_LIFE_S = 3600.0
"""Magnitudes hold this long: a young Moon's changes by 0.02."""


@dataclass(frozen=True, slots=True)
class Body:
    """A body of the solar system.

    ``magnitude`` takes the phase angle (deg) and the distances from the Sun and from here (au).
    ``radius_km`` is that of a sphere; Jupiter's and Saturn's are the mean ones.
    """

    name: str
    surface: Surface
    radius_km: float
    magnitude: Callable[[float, float, float], float]


def _sun_mag(_phase_deg: float, _sun_au: float, here_au: float) -> float:
    return -26.90 + 5.0 * math.log10(here_au)


def _moon_mag(phase_deg: float, _sun_au: float, here_au: float) -> float:
    near = 5.0 * math.log10(here_au * AU_KM / _MEAN_MOON_KM)
    return -12.73 + 0.026 * phase_deg + 4e-9 * phase_deg**4 + near


def _venus_mag(phase_deg: float, sun_au: float, here_au: float) -> float:
    powers = [8.938e-9, -2.814e-6, 3.687e-4, -1.044e-3, -4.384]
    return float(np.polyval(powers, min(phase_deg, 163.7))) + _apart(sun_au, here_au)


def _jupiter_mag(phase_deg: float, sun_au: float, here_au: float) -> float:
    return -9.395 + (6.16e-4 * phase_deg - 3.7e-4) * phase_deg + _apart(sun_au, here_au)


def _saturn_mag(phase_deg: float, sun_au: float, here_au: float) -> float:
    return -8.95 + (6.16e-4 * phase_deg - 3.7e-4) * phase_deg + _apart(sun_au, here_au)


def _apart(sun_au: float, here_au: float) -> float:
    return 5.0 * math.log10(sun_au * here_au)


BODIES = (
    # IAU 1976: 959.63 arcsec at one astronomical unit.
    Body("sun", Surface.SUN, 696000.0, _sun_mag),
    Body("moon", Surface.DUST, 1737.4, _moon_mag),
    Body("venus", Surface.CLOUD, 6051.8, _venus_mag),
    Body("jupiter", Surface.CLOUD, 69911.0, _jupiter_mag),
    Body("saturn", Surface.CLOUD, 58232.0, _saturn_mag),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """A body as seen at one instant, refraction and aberration in.

    Attributes
    ----------
    points_enu : ndarray of shape (5, 3)
        Its middle, two opposite points of its edge toward and from the Sun (for the Sun itself:
        north and south), two square to them.
    phase_rad : float
        Angle at the body between Sun and observer; 0 for the Sun.
    mag : float
        Of all its light.
    """

    points_enu: Array
    phase_rad: float
    mag: float


class SolarSystem:
    """Sun, Moon and planets over one site.

    Parameters
    ----------
    sky : Sky
        Knows the site and its air.
    """

    def __init__(self, sky: Sky) -> None:
        self._sky = sky
        self._rough: tuple[float, Array] | None = None
        self._mags: dict[str, tuple[float, float]] = {}

    def rough_enu(self, unix_s: float) -> Array:
        """Return the directions of all ``BODIES`` to four arcmin: ENU, shape (bodies, 3)."""
        if self._rough is None or abs(unix_s - self._rough[0]) > _PLACES_LIFE_S:
            places = [self._gcrs_au(body, unix_s)[0] for body in BODIES]
            self._rough = (unix_s, self._seen(np.stack(places), unix_s))
        return self._rough[1]

    def rough_mag(self, body: Body, unix_s: float) -> float:
        """Return how bright a body is."""
        if body.name not in self._mags or abs(unix_s - self._mags[body.name][0]) > _MAG_LIFE_S:
            self._mags[body.name] = (unix_s, self.outline(body, unix_s).mag)
        return self._mags[body.name][1]

    def outline(self, body: Body, unix_s: float) -> Outline:
        """Return a body as it is seen."""
        centre, frame = self._gcrs_au(body, unix_s)
        distance = float(np.linalg.norm(centre))
        ahead = centre / distance
        radius = math.asin(body.radius_km / AU_KM / distance)
        if body.surface is Surface.SUN:
            toward, phase, from_sun = np.array([0.0, 0.0, 1.0]), 0.0, 1.0
        else:
            sun, _ = self._gcrs_au(BODIES[0], unix_s)
            toward = sun - centre
            from_sun = float(np.linalg.norm(toward))
            phase = math.atan2(
                float(np.linalg.norm(np.cross(toward, -centre))), float(toward @ -centre)
            )
        first = toward - ahead * float(toward @ ahead)
        first /= np.linalg.norm(first)
        second = np.cross(ahead, first)
        # Where lines of sight touch the sphere.
        edge = [side * math.sin(radius) for side in (1.0, -1.0)]
        points = [ahead] + [
            ahead * math.cos(radius) + axis * side for axis in (first, second) for side in edge
        ]
        return Outline(
            points_enu=self._seen(np.stack(points) * distance, unix_s, frame),
            phase_rad=phase,
            mag=body.magnitude(math.degrees(phase), from_sun, distance),
        )

    def _gcrs_au(self, body: Body, unix_s: float) -> tuple[Array, GCRS]:
        """Return where a body appears from the site (au, GCRS axes) and the frame of that."""
        place = get_body(body.name, instant(unix_s), self._sky.location, ephemeris="builtin")
        return np.asarray(place.cartesian.xyz.to_value(u.au), dtype=float), place.frame

    def _seen(self, gcrs_au: Array, unix_s: float, frame: GCRS | None = None) -> Array:
        """Return the observed ENU directions of topocentric places (au)."""
        if frame is None:
            moment = instant(unix_s)
            here, moving = self._sky.location.get_gcrs_posvel(moment)
            frame = GCRS(obstime=moment, obsgeoloc=here, obsgeovel=moving)
        places = SkyCoord(
            frame.replicate_without_data().realize_frame(
                CartesianRepresentation(*(gcrs_au.T * u.au))
            )
        )
        seen = places.transform_to(self._sky.altaz(unix_s))
        alt, az = np.asarray(seen.alt.rad), np.asarray(seen.az.rad)
        return np.column_stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
