"""Sky: from catalogue to observed directions, by astropy's high-level coordinates only."""

from collections.abc import Sequence

import astropy.units as u
import numpy as np
from astropy.coordinates import ICRS, TETE, AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.axes import SIDEREAL_RATE_DEG_S
from polewright_drivers.sky_simulator.earth_orientation import use_packaged_table
from polewright_drivers.sky_simulator.scenario import SiteTruth

_ANCHOR_LIFE_S = 600.0
"""Sidereal time is extrapolated at its mean rate this long: nutation moves it under 0.1 ms."""


class Sky:
    """What is where, seen from one site.

    Parameters
    ----------
    site : SiteTruth
        Where the observer really is.
    """

    def __init__(self, site: SiteTruth) -> None:
        use_packaged_table()
        self._site = site
        self.location = EarthLocation.from_geodetic(
            site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.elevation_m * u.m
        )
        self._anchor: tuple[float, float] | None = None

    def altaz(self, unix_s: float | NDArray[np.float64], *, air: bool = True) -> AltAz:
        """Return the observed frame of an instant, or of several."""
        pressure = self._site.station_pressure_hpa if air else 0.0
        return AltAz(
            obstime=instant(unix_s),
            location=self.location,
            pressure=pressure * u.hPa,
            temperature=self._site.temperature_c * u.deg_C,
            relative_humidity=self._site.relative_humidity,
            obswl=self._site.wavelength_um * u.um,
        )

    def observed_enu(self, vector_icrs: NDArray[np.float64], unix_s: float) -> NDArray[np.float64]:
        """Return where stars are seen: proper to observed, refraction and aberration in.

        Parameters
        ----------
        vector_icrs : ndarray of shape (n, 3)
            Catalogue directions of date.
        unix_s : float
            Instant (s since 1970, UTC).

        Returns
        -------
        ndarray of shape (n, 3)
            ENU unit vectors.
        """
        seen: NDArray[np.float64] = self.observed_enu_at(vector_icrs, [unix_s])[0]
        return seen

    def observed_enu_at(
        self, vector_icrs: NDArray[np.float64], unix_s: Sequence[float]
    ) -> NDArray[np.float64]:
        """Return where stars are seen at several instants, for little more than at one.

        Returns
        -------
        ndarray of shape (instants, n, 3)
            As of ``observed_enu``.
        """
        shape = (len(unix_s), len(vector_icrs))
        if len(vector_icrs) == 0:
            return np.zeros((*shape, 3))
        ra = np.arctan2(vector_icrs[:, 1], vector_icrs[:, 0])
        dec = np.arctan2(vector_icrs[:, 2], np.hypot(vector_icrs[:, 0], vector_icrs[:, 1]))
        stars = SkyCoord(
            np.broadcast_to(ra, shape) * u.rad, np.broadcast_to(dec, shape) * u.rad, frame="icrs"
        )
        seen = stars.transform_to(self.altaz(np.array(unix_s)[:, None]))
        alt, az = np.asarray(seen.alt.rad), np.asarray(seen.az.rad)
        return np.stack([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)], axis=-1)

    def icrs_of(self, vector_enu: NDArray[np.float64], unix_s: float) -> NDArray[np.float64]:
        """Return the catalogue direction that is seen in this ENU direction."""
        east, north, up = (float(c) for c in vector_enu)
        seen = SkyCoord(
            az=np.arctan2(east, north) * u.rad,
            alt=np.arctan2(up, np.hypot(east, north)) * u.rad,
            frame=self.altaz(unix_s),
        )
        star = seen.transform_to(ICRS())
        return np.asarray(star.cartesian.xyz.value, dtype=float)

    def refracted_altitude_deg(self, altitude_deg: float, unix_s: float) -> float:
        """Return the altitude at which something without air at this one is seen (deg)."""
        bare = SkyCoord(
            az=0.0 * u.deg, alt=altitude_deg * u.deg, frame=self.altaz(unix_s, air=False)
        )
        seen = bare.transform_to(ICRS()).transform_to(self.altaz(unix_s))
        return float(seen.alt.deg)

    def sidereal_deg(self, unix_s: float) -> float:
        """Return the local apparent sidereal time as an angle (deg) at the true longitude."""
        if self._anchor is None or abs(unix_s - self._anchor[0]) > _ANCHOR_LIFE_S:
            angle = instant(unix_s).sidereal_time("apparent", longitude=self.location.lon)
            self._anchor = (unix_s, float(angle.deg))
        start_s, start_deg = self._anchor
        return (start_deg + (unix_s - start_s) * SIDEREAL_RATE_DEG_S) % 360.0

    def icrs_of_date(
        self, right_ascension_deg: float, declination_deg: float, unix_s: float
    ) -> tuple[float, float]:
        """Return right ascension and declination (ICRS, deg) of an apparent place of date."""
        of_date = SkyCoord(
            right_ascension_deg * u.deg,
            declination_deg * u.deg,
            frame=TETE(obstime=instant(unix_s)),
        )
        star = of_date.transform_to(ICRS())
        return float(star.ra.deg), float(star.dec.deg)

    def of_date_of_icrs(
        self, right_ascension_deg: float, declination_deg: float, unix_s: float
    ) -> tuple[float, float]:
        """Return the apparent place of date (deg) of a right ascension and declination (ICRS)."""
        star = SkyCoord(right_ascension_deg * u.deg, declination_deg * u.deg, frame=ICRS())
        of_date = star.transform_to(TETE(obstime=instant(unix_s)))
        return float(of_date.ra.deg), float(of_date.dec.deg)


def julian_year(unix_s: float) -> float:
    """Return the Julian year of an instant."""
    return float(instant(unix_s).jyear)


def instant(unix_s: float | NDArray[np.float64]) -> Time:
    """Return an astropy time, or several."""
    return Time(unix_s, format="unix")
