"""Place: where the mount stands and the air above it."""

import math
from dataclasses import dataclass

from polewright.core.geometry.directions import wrap_half_turn_deg


def standard_pressure_hpa(elevation_m: float) -> float:
    """Return the station pressure of the standard atmosphere (hPa).

    ISO 2533 / ICAO Doc 7488 troposphere: 1013.25 (1 - 2.25577e-5 h)^5.25588.
    """
    return float(1013.25 * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A site on the ground.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        Geodetic (WGS84), north and east positive (deg).
    elevation_m : float
        Above the ellipsoid, or sea level: the difference does not matter here (m).
    pressure_hpa : float or None
        Station pressure; None: the standard atmosphere at this elevation (hPa).
    temperature_c : float
        Air temperature (deg C).
    relative_humidity : float
        0 to 1.
    wavelength_um : float
        Effective wavelength of the camera (um).
    """

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    pressure_hpa: float | None = None
    temperature_c: float = 10.0
    relative_humidity: float = 0.5
    wavelength_um: float = 0.58

    def __post_init__(self) -> None:
        """Refuse what is not on this planet."""
        if not -90.0 <= self.latitude_deg <= 90.0:
            raise ValueError(f"latitude {self.latitude_deg} is outside -90 to 90 deg")
        if not -360.0 <= self.longitude_deg <= 360.0:
            raise ValueError(f"longitude {self.longitude_deg} is outside -360 to 360 deg")
        if not -500.0 <= self.elevation_m <= 9000.0:
            raise ValueError(f"elevation {self.elevation_m} is outside -500 to 9000 m")
        if not 0.0 <= self.relative_humidity <= 1.0:
            raise ValueError(f"relative humidity {self.relative_humidity} is outside 0 to 1")

    @property
    def south(self) -> bool:
        """True where the elevated pole is the southern one."""
        return self.latitude_deg < 0.0

    @property
    def words(self) -> str:
        """Latitude, longitude and elevation as people write them."""
        longitude_deg = wrap_half_turn_deg(self.longitude_deg)
        north = f"{abs(self.latitude_deg):.4f} {'S' if self.south else 'N'}"
        east = f"{abs(longitude_deg):.4f} {'E' if longitude_deg >= 0.0 else 'W'}"
        return f"{north}, {east}, {self.elevation_m:.0f} m"

    @property
    def latitude_rad(self) -> float:
        """Latitude (rad)."""
        return math.radians(self.latitude_deg)

    @property
    def air_pressure_hpa(self) -> float:
        """Station pressure, measured or standard (hPa)."""
        if self.pressure_hpa is not None:
            return self.pressure_hpa
        return standard_pressure_hpa(self.elevation_m)
