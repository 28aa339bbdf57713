"""Windows: from when until when is shot, by instants, by the clock, or over the night."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from polewright.core.errors import UsageError
from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import (
    ASTRONOMICAL_RAD,
    NAUTICAL_RAD,
    local_noon,
    sun_altitude_rad,
    sun_crosses,
)

SHORTEST = timedelta(minutes=1)
LONGEST = timedelta(hours=14)
"""Longer than this is no night's imaging but a slip of the pen; polar nights are shot in parts."""

# Earth orientation and the Moon's series are made for about these years.
_FIRST_YEAR, _LAST_YEAR = 1990, 2090

_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)([Zz]?)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """From when until when (aware instants).

    Raises
    ------
    UsageError
        ``bad_window``: shorter than a minute, or longer than 14 hours.
    """

    start: datetime
    end: datetime

    def __post_init__(self) -> None:
        """Refuse what is no window, and hold UTC."""
        for instant in (self.start, self.end):
            if not _FIRST_YEAR <= instant.year <= _LAST_YEAR:
                raise UsageError(
                    f"the year {instant.year} is not tonight's",
                    remedy="Give the start and the end of tonight's imaging.",
                    code="bad_window",
                )
        object.__setattr__(self, "start", self.start.astimezone(UTC))
        object.__setattr__(self, "end", self.end.astimezone(UTC))
        if not SHORTEST <= self.end - self.start <= LONGEST:
            raise UsageError(
                f"from {self.start:%Y-%m-%d %H:%M} to {self.end:%Y-%m-%d %H:%M} UTC is no window: "
                "it must last a minute to 14 hours",
                remedy="Give the start and the end of tonight's imaging.",
                code="bad_window",
            )

    def instants(self, step: timedelta) -> tuple[datetime, ...]:
        """Return instants from start to end, both included, no farther apart than a step."""
        count = max(1, -(-(self.end - self.start) // step))
        return tuple(self.start + (self.end - self.start) * i / count for i in range(count + 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockHours:
    """From when until when by a clock, as it comes again every evening.

    ``start_min`` and ``end_min``: minutes after midnight (UTC where it says so, else local).
    """

    start_min: int
    end_min: int
    start_utc: bool = False
    end_utc: bool = False

    def window(self, now: datetime, zone: tzinfo) -> Window:
        """Return the window that goes on now, or the next one: the one whose end comes next."""
        end = _next_at(self.end_min, now, UTC if self.end_utc else zone)
        start_zone = UTC if self.start_utc else zone
        start = _next_at(self.start_min, end - timedelta(hours=25), start_zone)
        while (later := _next_at(self.start_min, start, start_zone)) < end:
            start = later
        return Window(start=start, end=end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """The dark hours: ``sun_deg`` is how low the Sun stands at their ends (deg)."""

    window: Window
    sun_deg: float


def read_instant(text: str) -> datetime | int | None:
    """Return what a text says of a time.

    Returns
    -------
    datetime, int or None
        An instant where date and zone are given; minutes after midnight where the clock is; None
        where it is neither.
    """
    if found := _CLOCK.fullmatch(text.strip()):
        return 60 * int(found[1]) + int(found[2])
    try:
        instant = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return instant if instant.tzinfo is not None else None


def read_window(start: str, end: str) -> Window | ClockHours:
    """Return the window that two texts name: both instants (ISO 8601, zone included), or both
    clock times (``21:30`` local, ``19:30Z`` UTC).

    Raises
    ------
    UsageError
        ``bad_window``.
    """
    first, last = read_instant(start), read_instant(end)
    if isinstance(first, datetime) and isinstance(last, datetime):
        return Window(start=first, end=last)
    if isinstance(first, int) and isinstance(last, int) and first is not None:
        return ClockHours(
            start_min=first,
            end_min=last,
            start_utc=start.strip().upper().endswith("Z"),
            end_utc=end.strip().upper().endswith("Z"),
        )
    raise UsageError(
        f'from "{start[:40]}" to "{end[:40]}" is no window',
        remedy="Give both as the clock shows them (21:30), in UTC (19:30Z), or with date and zone "
        "(2026-11-25T21:30+02:00).",
        code="bad_window",
    )


def night_of(place: Place, now: datetime) -> Night:
    """Return the night that goes on now or comes next, over a flat horizon.

    Astronomical (Sun 18 deg down), or nautical (12 deg) where it does not get that dark.

    Raises
    ------
    UsageError
        ``no_night``: it does not get even nautically dark, or stays dark for over 14 hours.
    """
    noon = local_noon(place, now)
    # The noon before, for after midnight; and the next one, for a morning.
    for first in (noon - timedelta(days=1), noon, noon + timedelta(days=1)):
        found = _night_after(place, first)
        if found is not None and found.window.end > now:
            return found
    raise UsageError(
        "no night of ordinary length comes in the next two days at this place",
        remedy="Give the window by the clock: --from 22:00 --to 02:00.",
        code="no_night",
    )


def _night_after(place: Place, noon: datetime) -> Night | None:
    """Return the night between a local noon and the next, as dark as it gets; None: none usable."""
    next_noon = local_noon(place, noon + timedelta(days=1))
    for depth in (ASTRONOMICAL_RAD, NAUTICAL_RAD):
        dusk = sun_crosses(place, noon, next_noon, depth)
        if dusk is None or sun_altitude_rad(place, noon) < depth:
            continue
        dawn = sun_crosses(place, dusk + timedelta(minutes=1), next_noon, depth)
        if dawn is not None and SHORTEST <= dawn - dusk <= LONGEST:
            return Night(
                window=Window(start=dusk, end=dawn),
                sun_deg=-18.0 if depth == ASTRONOMICAL_RAD else -12.0,
            )
    return None


def _next_at(minutes: int, after: datetime, zone: tzinfo) -> datetime:
    """Return when a clock next shows these minutes after midnight, strictly after an instant."""
    day = after.astimezone(zone).date() - timedelta(days=1)
    while True:
        wall = datetime.combine(day, time(minutes // 60, minutes % 60), tzinfo=zone)
        if wall.astimezone(UTC) > after:
            return wall.astimezone(UTC)
        day += timedelta(days=1)
