"""Masking: keeps a person's secrets and place out of recorded messages."""

import math
import re
from collections.abc import Mapping

MASK = "(masked)"

# In names of properties or of their elements; drivers choose these names freely.
_SECRET = re.compile(
    r"PASS|PWD|SECRET|TOKEN|CREDENTIAL|LOGIN|USER|OBSERVER|OWNER|E?MAIL|SSID|WIFI|WLAN|_KEY|API"
    r"|SERIAL_?N|ADDRESS|HOST",
    re.IGNORECASE,
)
_PLACE_PROPERTIES = frozenset({"GEOGRAPHIC_COORD"})
_PLACE_NAMES = re.compile(r"LATITUDE|LONGITUDE|SITE|LOCATION|^LAT$|^LONG?$|^ELEV", re.IGNORECASE)
# With the time, the sidereal time tells the longitude.
_SIDEREAL = re.compile(r"(^|_)LST($|_)|SIDEREAL_TIME", re.IGNORECASE)
_PLACE_WORDS = re.compile(r"latitude|longitude|\blat\b|\blong?\b|location|site|gps", re.IGNORECASE)
_HOME = re.compile(r"(/home/|/Users/)[^/\s]+")
_BY_IDENTITY = re.compile(r"(/dev/serial/by-id/)\S+")
_ELEVATION_STEP_M = 100.0


def masked(
    name: str, values: Mapping[str, str], message: str, *, with_place: bool
) -> tuple[dict[str, str], str]:
    """Return a message's values and its line of text without what is nobody's business.

    Parameters
    ----------
    name : str
        The property's name.
    values : mapping of str to str
        Its elements' values by name.
    message : str
        A driver's line of text.
    with_place : bool
        Whether the site stays as exact as it is.
    """
    clean = {element: _value(name, element, text) for element, text in values.items()}
    if not with_place:
        clean = {element: _placeless(name, element, text) for element, text in clean.items()}
        if _PLACE_WORDS.search(message):
            message = re.sub(r"\d", "#", message)
    return clean, _pathless(message)


def _value(name: str, element: str, text: str) -> str:
    if text and not _is_state(text) and (_SECRET.search(name) or _SECRET.search(element)):
        return MASK
    return _pathless(text)


def _placeless(name: str, element: str, text: str) -> str:
    """Round a place to a degree and 100 m, and hide what else tells it."""
    if not text or _is_state(text):
        return text
    if _SIDEREAL.search(name) or _SIDEREAL.search(element):
        return "0"
    if name in _PLACE_PROPERTIES or _PLACE_NAMES.search(element) or _PLACE_NAMES.search(name):
        value = _number(text)
        if value is None or not math.isfinite(value):
            return MASK
        if element.upper().startswith("ELEV"):
            return f"{round(value / _ELEVATION_STEP_M) * _ELEVATION_STEP_M:.0f}"
        return f"{round(value):d}"
    return text


def _number(text: str) -> float | None:
    """Return a number, also one in degrees, minutes and seconds."""
    try:
        parts = [float(part) for part in re.split(r"[:; ]+", text.strip())]
    except ValueError:
        return None
    size = sum(abs(part) / 60.0**power for power, part in enumerate(parts))
    return -size if text.strip().startswith("-") else size


def _is_state(text: str) -> bool:
    """Return whether a value is a switch's or a light's, which tells nothing."""
    return text in {"On", "Off", "Idle", "Ok", "Busy", "Alert"}


def _pathless(text: str) -> str:
    return _BY_IDENTITY.sub(r"\1" + MASK, _HOME.sub(r"\1" + MASK, text))
