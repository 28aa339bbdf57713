"""Observed places: where a catalogue star stands over the horizon, and back.

The chain is ERFA's (IAU SOFA): light deflection, aberration, precession-nutation, Earth
rotation, polar motion, diurnal aberration and refraction, each applied exactly once
(``apco13``, ``atciqz``, ``atioq`` and their inverses).
"""

import warnings
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import erfa
import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import enu_from_altaz
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.instant import (
    EarthOrientation,
    earth_orientation,
    utc_julian_dates,
)
from polewright.core.sky.place import Place

Directions = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ObservingMoment:
    """One place at one instant, ready to turn directions (ERFA's star-independent parameters)."""

    place: Place
    instant: datetime
    context: Any
    equation_of_the_origins_rad: float

    @classmethod
    def at(
        cls, place: Place, instant: datetime, orientation: EarthOrientation | None = None
    ) -> "ObservingMoment":
        """Prepare for a place and an instant; ``orientation`` left out: the packaged table's."""
        first, second = utc_julian_dates(instant)
        orientation = orientation or earth_orientation(instant)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", erfa.ErfaWarning)
            context, origins = erfa.apco13(
                first,
                second,
                orientation.dut1_s,
                np.deg2rad(place.longitude_deg),
                place.latitude_rad,
                place.elevation_m,
                orientation.polar_motion_x_rad,
                orientation.polar_motion_y_rad,
                place.air_pressure_hpa,
                place.temperature_c,
                place.relative_humidity,
                place.wavelength_um,
            )
        return cls(place, instant, context, float(origins))

    def enu_from_icrs(self, directions_icrs: Directions) -> Directions:
        """Return observed East-North-Up unit vectors of astrometric ICRS directions.

        Parameters
        ----------
        directions_icrs : ndarray of shape (..., 3)
            Unit vectors, proper motion and parallax applied.
        """
        longitude, latitude = erfa.c2s(directions_icrs)
        intermediate = erfa.atciqz(longitude, latitude, self.context)
        return self._enu_from_intermediate(*intermediate)

    def of_date_from_near(self, direction_icrs: Vector) -> tuple[float, float]:
        """Return the apparent right ascension and declination of date (rad) of a near body.

        As for a star, without the bending of light by the Sun: a body of the solar system is
        about as far as the Sun itself, or nearer.
        """
        context = self.context
        proper = erfa.ab(direction_icrs, context["v"], context["em"], context["bm1"])
        right_ascension, declination = erfa.c2s(context["bpn"] @ proper)
        right_ascension = (right_ascension - self.equation_of_the_origins_rad) % (2.0 * np.pi)
        return float(right_ascension), float(declination)

    def enu_from_of_date(self, right_ascension_rad: Any, declination_rad: Any) -> Directions:
        """Return observed East-North-Up unit vectors of apparent places of date (equinox-based).

        This is what a mount that shows places of date (JNow) means, refraction added.
        """
        right_ascension = np.asarray(right_ascension_rad) + self.equation_of_the_origins_rad
        return self._enu_from_intermediate(right_ascension, np.asarray(declination_rad))

    def icrs_from_of_date(self, right_ascension_rad: float, declination_rad: float) -> Vector:
        """Return the astrometric ICRS unit vector of an apparent place of date (erfa aticq)."""
        longitude, latitude = erfa.aticq(
            right_ascension_rad + self.equation_of_the_origins_rad, declination_rad, self.context
        )
        return np.asarray(erfa.s2c(longitude, latitude))

    def of_date_from_icrs(self, direction_icrs: Vector) -> tuple[float, float]:
        """Return the apparent right ascension and declination of date (rad)."""
        longitude, latitude = erfa.c2s(direction_icrs)
        right_ascension, declination = erfa.atciqz(longitude, latitude, self.context)
        right_ascension = (right_ascension - self.equation_of_the_origins_rad) % (2.0 * np.pi)
        return float(right_ascension), float(declination)

    def _enu_from_intermediate(self, right_ascension_rad: Any, declination_rad: Any) -> Directions:
        azimuth, zenith_distance, _, _, _ = erfa.atioq(
            right_ascension_rad, declination_rad, self.context
        )
        return np.asarray(erfa.s2c(np.pi / 2.0 - azimuth, np.pi / 2.0 - zenith_distance))


def refraction_rad(true_altitude_rad: float, place: Place) -> float:
    """Return how much the air lifts a direction of this true (airless) altitude (rad).

    ERFA's two-constant model (``refco``), solved for the observed altitude by iteration; meant
    for altitudes above 15 deg, usable to about 5.
    """
    a, b = erfa.refco(
        place.air_pressure_hpa,
        place.temperature_c,
        place.relative_humidity,
        place.wavelength_um,
    )
    true_zenith_distance = np.pi / 2.0 - true_altitude_rad
    lift = 0.0
    for _ in range(8):
        tangent = np.tan(min(true_zenith_distance - lift, np.deg2rad(87.0)))
        lift = float((a + b * tangent * tangent) * tangent)
    return lift


def pole_enu(place: Place, *, refracted: bool) -> Vector:
    """Return the direction of the elevated celestial pole, with or without refraction."""
    altitude_rad = abs(place.latitude_rad)
    if refracted:
        altitude_rad += refraction_rad(altitude_rad, place)
    return enu_from_altaz(altitude_rad, np.pi if place.south else 0.0)
