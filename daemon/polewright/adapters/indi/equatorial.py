"""Equatorial places at the wire: of date or of J2000, hours there and degrees here."""

import math
from dataclasses import dataclass
from datetime import datetime
from math import nan

from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.snapshot import PropertySnapshot
from polewright.core.errors import DeviceError
from polewright.core.sky.equinoxes import j2000_from_of_date, of_date_from_j2000

OF_DATE = "EQUATORIAL_EOD_COORD"
J2000 = "EQUATORIAL_COORD"
POSITIONS = (OF_DATE, J2000)
"""Of date goes before J2000 where a mount has both: it is what its axes turn by."""

HOURS_TO_DEG = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """Where a mount says it points, of whichever equinox it speaks (deg)."""

    right_ascension_deg: float
    declination_deg: float

    def separation_deg(self, other: "Position") -> float:
        """Return the angle to another position (deg); half-angle form, exact when small."""
        ra1, dec1 = math.radians(self.right_ascension_deg), math.radians(self.declination_deg)
        ra2, dec2 = math.radians(other.right_ascension_deg), math.radians(other.declination_deg)
        half = (
            math.sin((dec2 - dec1) / 2.0) ** 2
            + math.cos(dec1) * math.cos(dec2) * math.sin((ra2 - ra1) / 2.0) ** 2
        )
        return math.degrees(2.0 * math.asin(min(1.0, math.sqrt(half))))


def property_of(device: IndiDevice) -> str | None:
    """Return the property in which a mount tells its position, None where it has none."""
    return next((name for name in POSITIONS if device.has(name)), None)


def position_in(report: PropertySnapshot) -> Position:
    """Return the position in a report of the mount (hours at the wire, degrees here).

    Raises
    ------
    DeviceError
        Where the report holds no numbers.
    """
    hours, declination_deg = report.numbers.get("RA", nan), report.numbers.get("DEC", nan)
    if not (math.isfinite(hours) and math.isfinite(declination_deg)):
        raise DeviceError(
            f"{report.device} reports a position that is no number",
            remedy="Restart the mount's driver, and align the mount again if it asks for it",
            code="no_position",
        )
    return Position(right_ascension_deg=hours * HOURS_TO_DEG, declination_deg=declination_deg)


def of_date(position: Position, prop: str, instant: datetime) -> Position:
    """Return a position told in this property as one of date."""
    if prop != J2000:
        return position
    ra, dec = of_date_from_j2000(position.right_ascension_deg, position.declination_deg, instant)
    return Position(right_ascension_deg=ra, declination_deg=dec)


def as_told(position: Position, prop: str, instant: datetime) -> Position:
    """Return a position of date as this property tells it."""
    if prop != J2000:
        return position
    ra, dec = j2000_from_of_date(position.right_ascension_deg, position.declination_deg, instant)
    return Position(right_ascension_deg=ra, declination_deg=dec)
