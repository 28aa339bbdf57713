"""Site cards: where a FITS header says that its picture was taken."""

import math
import re
from collections.abc import Mapping
from typing import Any

import erfa

from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.sky.told_places import ToldPlace

# Pairs of latitude and longitude in degrees or as sexagesimal text: common practice, no standard.
_PRACTICE = (("SITELAT", "SITELONG"), ("LAT-OBS", "LONG-OBS"))
_HEIGHTS = ("SITEELEV", "ALT-OBS")
_HIGHEST_M, _LOWEST_M = 9000.0, -500.0

_NUMBER = r"(\d{1,3}(?:\.\d*)?)"
_SEXAGESIMAL = re.compile(
    rf"([NSEW]?)\s*([+-]?)\s*{_NUMBER}(?:[:\sd]+{_NUMBER})?(?:[:\sm']+{_NUMBER})?[\s\"s'dm]*([NSEW]?)"
)


def places_told(header: Mapping[str, Any], *, name: str = "") -> tuple[ToldPlace, ...]:
    """Return every place that a header tells, the standard's first; empty where it tells none.

    FITS 4.0 (Pence et al. 2018; from Greisen et al. 2006 and Rots et al. 2015): ``OBSGEO-X``,
    ``-Y``, ``-Z``, geocentric and Earth-fixed (m), and ``OBSGEO-B``, ``-L``, ``-H``, geodetic
    latitude and longitude (deg) and height (m), north and east positive.  Common practice:
    ``SITELAT`` and ``SITELONG``, or ``LAT-OBS`` and ``LONG-OBS``, with ``SITEELEV`` or
    ``ALT-OBS``.  Those have no standard: east is taken as positive there, too, but for a letter
    (``107 37 03 W``).  Cards that cannot be read, or are on no ground, tell nothing.
    """
    of = f" of {name}" if name else ""
    found = [_geocentric(header, of), _geodetic(header, of)]
    found += [_by_practice(header, *pair, of) for pair in _PRACTICE]
    return tuple(each for each in found if each is not None)


def _geocentric(header: Mapping[str, Any], of: str) -> ToldPlace | None:
    metres = [_real(header.get(f"OBSGEO-{letter}")) for letter in "XYZ"]
    if any(each is None or abs(each) > 1e8 for each in metres) or not any(metres):
        return None
    # Ellipsoid 1: WGS84, which is that of the Earth-fixed frame (ITRF) to a millimetre or so.
    longitude, latitude, height = erfa.gc2gd(1, [float(each or 0.0) for each in metres])
    if _height(height) is None:
        return None  # not on the ground: another unit, or nonsense
    return _told(
        math.degrees(latitude), math.degrees(longitude), float(height), f"OBSGEO-X, -Y, -Z{of}"
    )


def _geodetic(header: Mapping[str, Any], of: str) -> ToldPlace | None:
    latitude, longitude = (_real(header.get(f"OBSGEO-{letter}")) for letter in "BL")
    height = _height(header.get("OBSGEO-H"))
    return _told(latitude, longitude, height, f"OBSGEO-B, -L{of}")


def _by_practice(
    header: Mapping[str, Any], latitude_key: str, longitude_key: str, of: str
) -> ToldPlace | None:
    latitude, longitude = _angle(header.get(latitude_key)), _angle(header.get(longitude_key))
    heights = (_height(header.get(key)) for key in _HEIGHTS)
    height = next((each for each in heights if each is not None), None)
    return _told(latitude, longitude, height, f"{latitude_key}, {longitude_key}{of}")


def _told(
    latitude: float | None, longitude: float | None, height: float | None, words: str
) -> ToldPlace | None:
    if latitude is None or longitude is None:
        return None
    if abs(latitude) > 90.0 or abs(longitude) > 360.0:
        return None
    return ToldPlace(
        latitude_deg=latitude,
        longitude_deg=wrap_half_turn_deg(longitude),
        elevation_m=height,
        words=words,
    )


def _real(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) and not isinstance(value, bool) else None


def _height(value: object) -> float | None:
    height = _real(value)
    return height if height is not None and _LOWEST_M <= height <= _HIGHEST_M else None


def _angle(value: object) -> float | None:
    """Return degrees from a number, or from text such as ``-32 24 00``, ``32:24:00 S``."""
    number = _real(value)
    if number is not None or not isinstance(value, str):
        return number
    found = _SEXAGESIMAL.fullmatch(value.strip())
    if found is None:
        return None
    before, sign, *numbers, after = found.groups()
    degrees, minutes, seconds = (float(each or 0.0) for each in numbers)
    if minutes >= 60.0 or seconds >= 60.0 or (before and after):
        return None
    size = degrees + minutes / 60.0 + seconds / 3600.0
    return -size if sign == "-" or (before or after) in ("S", "W") else size
