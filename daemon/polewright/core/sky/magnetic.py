"""The Earth's magnetic field: where a compass points, by the World Magnetic Model (NOAA, BGS).

Coefficients and synthesis are those of the package pygeomag (WMM2025: 2025.0 to 2030.0).
"""

import math
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np
import pygeomag

from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.place import Place

# Model error of the declination (deg), NOAA's formula for WMM2025: rock and iron in the ground.
_DECLINATION_FLOOR_DEG = 0.26
_DECLINATION_PER_FIELD_DEG_NT = 5417.0
# Beyond its five years the model drifts away by about so much a year.
_AGEING_DEG_PER_YEAR = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class MagneticField:
    """The undisturbed field at a place.

    Attributes
    ----------
    east_nt, north_nt, up_nt : float
        Components (nT); in the north ``up_nt`` is negative.
    declination_rad : float
        Azimuth of magnetic north (rad, east positive).
    declination_sigma_rad : float
        How far the model may be off (rad).
    dip_rad : float
        Inclination below the horizon (rad, positive in the north).
    horizontal_nt, total_nt : float
        Horizontal and total strength (nT).
    """

    east_nt: float
    north_nt: float
    up_nt: float
    declination_rad: float
    declination_sigma_rad: float
    dip_rad: float
    horizontal_nt: float
    total_nt: float

    @property
    def enu_nt(self) -> Vector:
        """East-North-Up vector (nT)."""
        return np.array([self.east_nt, self.north_nt, self.up_nt])


def magnetic_field(place: Place, instant: datetime) -> MagneticField:
    """Return the field of the model at a place and instant."""
    utc = instant.astimezone(UTC)
    start = datetime(utc.year, 1, 1, tzinfo=UTC)
    year_s = (datetime(utc.year + 1, 1, 1, tzinfo=UTC) - start).total_seconds()
    year = utc.year + (utc - start).total_seconds() / year_s
    model = _model()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # near the magnetic poles: said by the sigma
        field = model.calculate(
            place.latitude_deg,
            wrap_half_turn_deg(place.longitude_deg),
            place.elevation_m / 1000.0,
            year,
            allow_date_outside_lifespan=True,
        )
    first, last = model.life_span
    aged = max(first - year, year - last, 0.0)
    sigma_deg = math.hypot(
        _DECLINATION_FLOOR_DEG,
        _DECLINATION_PER_FIELD_DEG_NT / max(field.h, 1.0),
        _AGEING_DEG_PER_YEAR * aged,
    )
    return MagneticField(
        east_nt=float(field.y),
        north_nt=float(field.x),
        up_nt=-float(field.z),
        declination_rad=math.radians(field.d),
        declination_sigma_rad=math.radians(min(sigma_deg, 180.0)),
        dip_rad=math.radians(field.i),
        horizontal_nt=float(field.h),
        total_nt=float(field.f),
    )


@lru_cache(maxsize=1)
def _model() -> Any:
    return pygeomag.GeoMag()
