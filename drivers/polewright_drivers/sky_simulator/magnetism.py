"""Magnetism: the Earth's field and weight at the site.

Field: the World Magnetic Model by the package pygeomag.  Weight: normal gravity on the ellipsoid
GRS 80 (Moritz 1980: 9.7803267715 m/s^2 at the equator, k = 0.001931851353, e^2 = 0.00669438002290)
less 3.086e-6 per second squared times the elevation.
"""

import math
import warnings
from functools import lru_cache
from typing import Any

import numpy as np
import pygeomag
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.scenario import SiteTruth
from polewright_drivers.sky_simulator.sky import julian_year


def weight_ms2(site: SiteTruth) -> float:
    """Return what an accelerometer at rest shows (m/s^2)."""
    sine2 = math.sin(math.radians(site.latitude_deg)) ** 2
    surface = 9.7803267715 * (1.0 + 0.001931851353 * sine2)
    return surface / math.sqrt(1.0 - 0.00669438002290 * sine2) - 3.086e-6 * site.elevation_m


def field_enu_ut(site: SiteTruth, unix_s: float) -> NDArray[np.float64]:
    """Return the undisturbed field (uT): ENU."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # weak horizontal field near the magnetic poles
        field = _model().calculate(
            site.latitude_deg,
            (site.longitude_deg + 180.0) % 360.0 - 180.0,
            site.elevation_m / 1000.0,
            julian_year(unix_s),
            allow_date_outside_lifespan=True,
        )
    # The model counts north, east, down.
    return np.array([field.y, field.x, -field.z]) / 1000.0


@lru_cache(maxsize=1)
def _model() -> Any:
    return pygeomag.GeoMag()
