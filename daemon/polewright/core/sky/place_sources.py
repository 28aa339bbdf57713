"""Places from several sources: which one holds, and what it means where they disagree.

Precedence: the settings (a person's word), then a GPS receiver, then the mount.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.sky.doubts import (
    TOLERATED_SUN_DEG,
    Bars,
    Doubt,
    motion_words,
    survey_words,
)
from polewright.core.sky.place import Place

# Nearer than this is one place: a map read to a few kilometres, a mount that keeps minutes (deg).
_SAME_DEG = 0.05
# A sign or an order that was mixed up shows the same figures to within this (deg).
_ALIKE_DEG = 0.3
# Farther than this is worth a person's notice even where nothing depends on it (deg).
_NOTABLE_DEG = 1.0


class Source(StrEnum):
    """Who told a place or a time."""

    SETTINGS = "settings"
    GPS = "gps"
    MOUNT = "mount"
    HOST = "host"


_PRECEDENCE = (Source.SETTINGS, Source.GPS, Source.MOUNT)
_NAMES = {
    Source.SETTINGS: "the settings",
    Source.GPS: "the GPS receiver",
    Source.MOUNT: "the mount",
    Source.HOST: "this computer",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceReading:
    """A place as one source tells it; ``place`` None: it was asked and knows none."""

    source: Source
    place: Place | None

    @property
    def default(self) -> bool:
        """True for 0 deg, 0 deg: what a driver holds that was never told its site."""
        return self.place is not None and (
            abs(self.place.latitude_deg) < 1e-6 and abs(self.place.longitude_deg) < 1e-6
        )


def name_of(source: Source) -> str:
    """Return a source's name as people say it."""
    return _NAMES[source]


def choose_place(readings: Sequence[PlaceReading]) -> PlaceReading | None:
    """Return the reading that holds, None where nobody knows; 0 deg, 0 deg is no knowledge."""
    known = {reading.source: reading for reading in readings if _usable(reading)}
    return next((known[source] for source in _PRECEDENCE if source in known), None)


def place_doubts(readings: Sequence[PlaceReading]) -> tuple[Doubt, ...]:
    """Return what does not fit between the place that holds and the others."""
    chosen = choose_place(readings)
    if chosen is None or chosen.place is None:
        return ()
    doubts = []
    for reading in readings:
        if reading is chosen:
            continue
        doubt = _unset(reading) if not _usable(reading) else _between(chosen, reading)
        if doubt is not None:
            doubts.append(doubt)
    return tuple(doubts)


def frame_turn_deg(first: Place, second: Place) -> float:
    """Return the angle between two places' horizons and compass roses (deg).

    No direction on the sky is wrong by more when one place is taken for the other.
    """
    turn = _enu_from_earth(first) @ _enu_from_earth(second).T
    return math.degrees(math.acos(max(-1.0, min(1.0, (float(np.trace(turn)) - 1.0) / 2.0))))


def _usable(reading: PlaceReading) -> bool:
    # A person who types 0 deg, 0 deg is doubted like a driver: nobody sets up on open sea.
    return reading.place is not None and not reading.default


def _unset(reading: PlaceReading) -> Doubt | None:
    """Return the doubt of a source that holds no place."""
    if reading.source is Source.GPS and reading.place is None:
        return None  # without a fix yet: nothing depends on it
    said = "0 deg, 0 deg, where nobody sets up: a default" if reading.default else "no site"
    bars = Bars.BY_DAY if reading.source is Source.MOUNT else Bars.NOTHING
    by_day = ": motion is refused while the Sun is up" if bars is Bars.BY_DAY else ""
    return Doubt(
        code="site_never_set",
        text=f"{_NAMES[reading.source]} holds {said}",
        consequence="the axis survey does not feel it; "
        f"what it says of where it points may be anything{by_day}",
        remedy="Set its site with your INDI client, or let polewright do it: [site] "
        "write_to_mount = true."
        if reading.source is Source.MOUNT
        else f"Correct the site of {_NAMES[reading.source]}.",
        bars=bars,
    )


def _between(chosen: PlaceReading, other: PlaceReading) -> Doubt | None:
    """Return the doubt of two places that disagree."""
    here, there = chosen.place, other.place
    if here is None or there is None:
        return None
    turn_deg = frame_turn_deg(here, there)
    if turn_deg <= _SAME_DEG:
        return None
    kind = slip_between(here, there)
    if kind is None and turn_deg <= _NOTABLE_DEG:
        return None
    code, what = kind or ("places_differ", f"they are {turn_deg:.1f} deg apart")
    bars = _bars(chosen, other, turn_deg, code)
    told = f"{_words(here)} ({_NAMES[chosen.source]}) and {_words(there)} ({_NAMES[other.source]})"
    return Doubt(
        code=code,
        text=f"two places are told: {told}: {what}",
        consequence=f"if that of {_NAMES[chosen.source]} is wrong: "
        f"{_survey_effect(code, here, there)}; {motion_words(bars, turn_deg)}",
        remedy=_remedy(other.source),
        bars=bars,
    )


def _bars(chosen: PlaceReading, other: PlaceReading, turn_deg: float, code: str) -> Bars:
    if turn_deg <= TOLERATED_SUN_DEG:
        return Bars.NOTHING
    # A mount in the wrong hemisphere turns and tracks the wrong way round, by night as well.
    if other.source is not Source.MOUNT or code == "wrong_hemisphere":
        return Bars.ALWAYS
    return Bars.BY_DAY


def slip_between(here: Place, there: Place) -> tuple[str, str] | None:
    """Return code and words of the slip of a person or a program between two places; else None."""
    lat, lon = here.latitude_deg, wrap_half_turn_deg(here.longitude_deg)
    other_lat, other_lon = there.latitude_deg, wrap_half_turn_deg(there.longitude_deg)
    latitude_flipped = _alike(lat, -other_lat) and not _alike(lat, other_lat)
    longitude_flipped = _alike(lon, -other_lon) and not _alike(lon, other_lon)
    if latitude_flipped and (longitude_flipped or _alike(lon, other_lon)):
        also = ", and so has the longitude" if longitude_flipped else ""
        return "wrong_hemisphere", f"the latitude has the other sign{also}: north is positive"
    if longitude_flipped and _alike(lat, other_lat):
        return "longitude_sign", "the longitude has the other sign: east is positive"
    if _alike(lat, other_lon) and _alike(lon, other_lat):
        return "swapped", "latitude and longitude are exchanged"
    if lat * other_lat < 0.0:
        return "wrong_hemisphere", "they are in different hemispheres"
    return None


def _survey_effect(code: str, here: Place, there: Place) -> str:
    if code in ("wrong_hemisphere", "swapped"):
        return "the survey looks for the wrong pole"
    return survey_words(wrap_half_turn_deg(here.longitude_deg - there.longitude_deg))


def _remedy(source: Source) -> str:
    if source is Source.MOUNT:
        return (
            "Correct the site in the mount, or let polewright do it: [site] write_to_mount = true; "
            "where the mount is right, correct [site] latitude_deg and longitude_deg."
        )
    return (
        "Look at a map: correct [site] latitude_deg and longitude_deg, or leave them out to trust "
        f"{_NAMES[source]}."
    )


def _words(place: Place) -> str:
    return f"{place.latitude_deg:+.2f} {wrap_half_turn_deg(place.longitude_deg):+.2f} deg"


def _alike(one_deg: float, other_deg: float) -> bool:
    return abs(wrap_half_turn_deg(one_deg - other_deg)) < _ALIKE_DEG


def _enu_from_earth(place: Place) -> np.ndarray:
    lat, lon = place.latitude_rad, math.radians(place.longitude_deg)
    east = (-math.sin(lon), math.cos(lon), 0.0)
    up = (math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat))
    return np.array([east, np.cross(up, east), up])
