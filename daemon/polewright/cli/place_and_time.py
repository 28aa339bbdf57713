"""Place and time of the offline aids: from the options, the settings and this computer's clock."""

import argparse
import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from polewright.app.clock import kept_right_from_outside
from polewright.core.errors import UsageError
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import Source
from polewright.core.sky.time_sources import TimeReading, time_doubts
from polewright.settings.load import find_settings_file, load_settings

# The series of Sun, Moon and planets hold for this century and the last.
_YEARS = range(1900, 2100)
_OFFSET = re.compile(r"(?:UTC)?([+-])(\d{1,2})(?::?(\d{2}))?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Occasion:
    """Where and when.

    Attributes
    ----------
    place : Place
        Where.
    name : str
        What the settings call it; empty where they do not.
    instant : datetime
        When: aware, UTC.
    zone : tzinfo or None
        In which times are told; None for this computer's own.
    doubts : tuple of str
        What speaks against the clock, each with what to do.
    """

    place: Place
    name: str
    instant: datetime
    zone: tzinfo | None
    doubts: tuple[str, ...]

    def local(self, instant: datetime) -> datetime:
        """Return an instant in the zone in which times are told."""
        return instant.astimezone(self.zone)

    @property
    def where(self) -> str:
        """The place in words."""
        told = self.place.words
        return f"{self.name} ({told})" if self.name else told

    @property
    def zone_words(self) -> str:
        """Which zone the times are in."""
        offset = self.local(self.instant).utcoffset() or timedelta(0)
        if not offset:
            return "UTC"
        sign = "-" if offset < timedelta(0) else "+"
        minutes = round(abs(offset).total_seconds() / 60.0)
        return f"UTC{sign}{minutes // 60}" + (f":{minutes % 60:02d}" if minutes % 60 else "")


def occasion(options: argparse.Namespace) -> Occasion:
    """Return place and time of the options ``--at``, ``--time`` and ``--zone``.

    Raises
    ------
    UsageError
        One of them cannot be read, or nobody says the place.
    """
    site = load_settings(find_settings_file(options.config)).site
    place = site.place() if options.at is None else _place(options.at)
    if place is None:
        raise UsageError(
            "neither the options nor the settings say where this is for",
            remedy="Give --at LATITUDE,LONGITUDE,METRES (south and west negative), or set [site] "
            "latitude_deg and longitude_deg.",
            code="no_place",
        )
    zone = None if options.zone is None else _zone(options.zone)
    doubts: tuple[str, ...] = ()
    if options.time is None:
        instant = datetime.now(UTC)
        reading = TimeReading(
            source=Source.HOST, utc=instant, disciplined=kept_right_from_outside()
        )
        doubts = tuple(f"{doubt.text}. {doubt.remedy}" for doubt in time_doubts([reading]))
    else:
        instant = _instant(options.time, zone)
    if instant.year not in _YEARS:
        raise UsageError(
            f"the year {instant.year} is outside {_YEARS.start} to {_YEARS.stop - 1}, for which "
            "the places of Sun, Moon and planets are known here",
            remedy="Set the clock, or give another --time.",
            code="wrong_time",
        )
    name = site.name if options.at is None else ""
    return Occasion(place=place, name=name, instant=instant, zone=zone, doubts=doubts)


def _place(text: str) -> Place:
    try:
        numbers = [float(part) for part in text.split(",")]
        if len(numbers) not in (2, 3):
            raise ValueError("it takes two or three numbers")
        latitude, longitude, elevation = (*numbers, 0.0)[:3]
        return Place(latitude_deg=latitude, longitude_deg=longitude, elevation_m=elevation)
    except ValueError as trouble:
        raise UsageError(
            f"'{text}' is no place: {trouble}",
            remedy="Give degrees and metres with commas and no spaces, south and west negative: "
            "--at=-32.40,22.70,1250",
            code="wrong_place",
        ) from None


def _instant(text: str, zone: tzinfo | None) -> datetime:
    try:
        try:
            told = datetime.fromisoformat(text)
        except ValueError:
            clock = time.fromisoformat(text)
            told = datetime.combine(datetime.now(UTC).astimezone(zone), clock)
        if told.tzinfo is None:
            told = told.astimezone() if zone is None else told.replace(tzinfo=zone)
        return told.astimezone(UTC)
    except (ValueError, OverflowError):
        raise UsageError(
            f"'{text}' is no time",
            remedy="Give 10:30 for today, 2026-11-25T10:30, or with its zone "
            "2026-11-25T10:30+02:00 or 2026-11-25T08:30Z.",
            code="wrong_time",
        ) from None


def _zone(text: str) -> tzinfo:
    offset = _OFFSET.match(text)
    if offset is not None:
        minutes = 60 * int(offset[2]) + int(offset[3] or 0)
        if minutes <= 14 * 60:
            return timezone(timedelta(minutes=minutes if offset[1] == "+" else -minutes))
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            f"'{text}' is no time zone",
            remedy="Give hours from UTC such as +2 or -3:30, or a name such as UTC.",
            code="wrong_zone",
        ) from None
