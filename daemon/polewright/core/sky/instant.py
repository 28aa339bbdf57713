"""Instants: aware UTC datetimes, the Earth's rotation and sidereal time.

Earth-orientation data come from the packaged IERS tables only; nothing is ever downloaded.
Outside the tables UT1-UTC is taken as 0, which is at most 0.9 s: under 15 arcsec in azimuth for
the Sun methods, and nothing for an axis measured from stars (axis and sky turn together).
"""

import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import erfa
import numpy as np
from astropy_iers_data import IERS_A_FILE  # type: ignore[import-untyped]

from polewright.core.geometry.directions import ARCSEC_RAD


@dataclass(frozen=True, slots=True, kw_only=True)
class EarthOrientation:
    """UT1-UTC (s) and polar motion (rad); ``known`` is False outside the tables."""

    dut1_s: float
    polar_motion_x_rad: float
    polar_motion_y_rad: float
    known: bool


@dataclass(frozen=True, slots=True)
class _Tables:
    mjd: np.ndarray
    dut1_s: np.ndarray
    x_arcsec: np.ndarray
    y_arcsec: np.ndarray


# Columns of finals2000A.all (IERS Rapid Service, readme.finals2000A), counted from 0: the day,
# then x, y and UT1-UTC of Bulletin A, and the final values of Bulletin B where there are any.
_DAY = slice(7, 15)
_RAPID = (slice(18, 27), slice(37, 46), slice(58, 68))
_FINAL = (slice(134, 144), slice(144, 154), slice(154, 165))


@lru_cache(maxsize=1)
def _tables() -> _Tables:
    """Read the packaged table; astropy's own reader would keep 46 MB of its other columns."""
    rows = []
    with Path(IERS_A_FILE).open(encoding="ascii") as file:
        for line in file:
            columns = _FINAL if line[_FINAL[2]].strip() else _RAPID
            if line[columns[2]].strip():
                rows.append([float(line[column]) for column in (_DAY, *columns)])
    day, x_arcsec, y_arcsec, dut1_s = np.array(rows, dtype=np.float64).T
    return _Tables(mjd=day, dut1_s=dut1_s, x_arcsec=x_arcsec, y_arcsec=y_arcsec)


def utc_julian_dates(instant: datetime) -> tuple[float, float]:
    """Return the two-part quasi-Julian UTC date that ERFA takes.

    Raises
    ------
    ValueError
        Where the instant has no time zone.
    """
    if instant.tzinfo is None:
        raise ValueError("an instant needs a time zone")
    utc = instant.astimezone(UTC)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)  # "dubious year": years far ahead
        first, second = erfa.dtf2d(
            "UTC",
            utc.year,
            utc.month,
            utc.day,
            utc.hour,
            utc.minute,
            utc.second + utc.microsecond * 1e-6,
        )
    return float(first), float(second)


def terrestrial_julian_dates(instant: datetime) -> tuple[float, float]:
    """Return terrestrial time (TT) as a two-part Julian date."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        first, second = erfa.taitt(*erfa.utctai(*utc_julian_dates(instant)))
    return float(first), float(second)


def earth_orientation(instant: datetime) -> EarthOrientation:
    """Return UT1-UTC and polar motion, linearly interpolated in the packaged IERS-A table."""
    first, second = utc_julian_dates(instant)
    mjd = (first - 2400000.5) + second
    tables = _tables()
    index = int(np.searchsorted(tables.mjd, mjd, side="right")) - 1
    if index < 0 or index + 1 >= tables.mjd.size:
        return EarthOrientation(
            dut1_s=0.0, polar_motion_x_rad=0.0, polar_motion_y_rad=0.0, known=False
        )
    part = (mjd - tables.mjd[index]) / (tables.mjd[index + 1] - tables.mjd[index])
    before, after = tables.dut1_s[index], tables.dut1_s[index + 1]
    if abs(after - before) > 0.5:  # a leap second lies between the two rows
        after -= np.sign(after - before)

    def between(column: np.ndarray) -> float:
        return float(column[index] + part * (column[index + 1] - column[index]))

    return EarthOrientation(
        dut1_s=float(before + part * (after - before)),
        polar_motion_x_rad=between(tables.x_arcsec) * ARCSEC_RAD,
        polar_motion_y_rad=between(tables.y_arcsec) * ARCSEC_RAD,
        known=bool(np.isfinite(before)),
    )


def local_apparent_sidereal_time(instant: datetime, longitude_deg: float) -> float:
    """Return the local apparent sidereal time (rad, 0 to 2 pi), IAU 2006/2000A (erfa gst06a)."""
    first, second = utc_julian_dates(instant)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        ut1 = erfa.utcut1(first, second, earth_orientation(instant).dut1_s)
        greenwich = erfa.gst06a(*ut1, *terrestrial_julian_dates(instant))
    return float((greenwich + np.deg2rad(longitude_deg)) % (2.0 * np.pi))
