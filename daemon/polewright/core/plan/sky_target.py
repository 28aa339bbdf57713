"""Targets on the sky: a name and a place, and the ways in which people write a place down.

Places are ICRS.  A right ascension with parts (``13:26:47``, ``13h26m47s``, ``13 26 47``) is in
hours, a single number is in degrees; a declination is in degrees either way.
"""

import math
import re
from dataclasses import dataclass

from polewright.core.errors import UsageError
from polewright.core.geometry.directions import vector_from_spherical
from polewright.core.geometry.rotations import Vector

LONGEST_NAME = 64

_NUMBER = r"\d+(?:\.\d+)?"
_SPLIT = re.compile(r"[,;]")
_SIGNED = re.compile(rf"[+-]?{_NUMBER}")
_HOURS = re.compile(rf"({_NUMBER})[h:](?:({_NUMBER})(?:[m:'](?:({_NUMBER})[s\"]?)?)?)?")
_DEGREES = re.compile(rf"([+-]?)({_NUMBER})[d:°](?:({_NUMBER})(?:[m:'](?:({_NUMBER})[s\"]?)?)?)?")
_HELP = (
    'Write it as "13:26:47 -47:28:46" (hours and degrees) or "201.697 -47.479" (degrees both), '
    "in quotes."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyTarget:
    """What is shot.

    Attributes
    ----------
    name : str
        As people call it.
    right_ascension_deg, declination_deg : float
        Where it is, ICRS (deg).
    """

    name: str
    right_ascension_deg: float
    declination_deg: float

    @property
    def direction_icrs(self) -> Vector:
        """The same as a unit vector."""
        return vector_from_spherical(
            math.radians(self.right_ascension_deg), math.radians(self.declination_deg)
        )


def read_place(text: str) -> SkyTarget | None:
    """Return the target that coordinates name; None where the text is no coordinates but a name.

    Parameters
    ----------
    text : str
        ``RIGHT_ASCENSION DECLINATION``, with ``NAME =`` in front where it shall have one.

    Raises
    ------
    UsageError
        ``bad_coordinates``: they are meant as coordinates and are none.
    """
    name, equals, places = text.rpartition("=")
    name = " ".join(name.split())[:LONGEST_NAME]
    parts = _SPLIT.sub(" ", places).split()
    if not parts or not _looks_like_figures(parts):
        if equals:
            raise _refused(text, "what stands after the = is no place")
        return None
    halves = _halves(parts)
    if halves is None:
        raise _refused(text, "right ascension and declination are not told apart")
    right_ascension = _right_ascension_deg(halves[0])
    declination = _declination_deg(halves[1])
    if right_ascension is None or not 0.0 <= right_ascension < 360.0:
        raise _refused(text, f"{halves[0]} is no right ascension")
    if declination is None or not -90.0 <= declination <= 90.0:
        raise _refused(text, f"{halves[1]} is no declination")
    return SkyTarget(
        name=name or f"{halves[0]} {halves[1]}",
        right_ascension_deg=right_ascension,
        declination_deg=declination,
    )


def _looks_like_figures(parts: list[str]) -> bool:
    # Names begin with a letter, all but a few stars' numbers; two parts at least make a place.
    return len(parts) > 1 and all(part[0].isdigit() or part[0] in "+-" for part in parts)


def _halves(parts: list[str]) -> tuple[str, str] | None:
    """Return right ascension and declination, with colons where blanks stood between parts."""
    if len(parts) == 2:
        return parts[0], parts[1]
    if len(parts) in (4, 6) and all(_SIGNED.fullmatch(part) for part in parts):
        middle = len(parts) // 2
        if not any(part[0] in "+-" for part in parts[1:middle] + parts[middle + 1 :]):
            return ":".join(parts[:middle]), ":".join(parts[middle:])
    return None


def _right_ascension_deg(text: str) -> float | None:
    if _SIGNED.fullmatch(text):
        return float(text)
    found = _HOURS.fullmatch(text)
    return None if found is None else _with_parts(found.groups(), scale=15.0)


def _declination_deg(text: str) -> float | None:
    if _SIGNED.fullmatch(text):
        return float(text)
    found = _DEGREES.fullmatch(text)
    if found is None:
        return None
    sign, *parts = found.groups()
    size = _with_parts(tuple(parts), scale=1.0)
    return None if size is None else math.copysign(size, -1.0 if sign == "-" else 1.0)


def _with_parts(parts: tuple[str | None, ...], *, scale: float) -> float | None:
    whole, minutes, seconds = (float(part) if part else 0.0 for part in parts)
    if minutes >= 60.0 or seconds >= 60.0:
        return None
    return scale * (whole + minutes / 60.0 + seconds / 3600.0)


def _refused(text: str, why: str) -> UsageError:
    return UsageError(
        f'"{text.strip()[:80]}" is no place on the sky: {why}',
        remedy=_HELP,
        code="bad_coordinates",
    )
