"""Occasions: at which instants a verification is due, by the clock, by dusk, or before a window.

Each has a key that stays the same however often it is computed, so that a clock that is set back
does not bring one twice.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from functools import lru_cache

from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import (
    ASTRONOMICAL_RAD,
    CIVIL_RAD,
    NAUTICAL_RAD,
    local_noon,
    sun_crosses,
)

_DAY = timedelta(days=1)
_HALF_DAY = timedelta(hours=12)


class Rule(StrEnum):
    """What makes a verification due."""

    CLOCK = "clock"
    DUSK = "dusk"
    PLAN = "plan"


class Dusk(StrEnum):
    """Which twilight ends: the Sun's centre at 6, 12 or 18 deg below the horizon."""

    CIVIL = "civil"
    NAUTICAL = "nautical"
    ASTRONOMICAL = "astronomical"

    @property
    def altitude_rad(self) -> float:
        """Of the Sun then (rad)."""
        return {
            Dusk.CIVIL: CIVIL_RAD,
            Dusk.NAUTICAL: NAUTICAL_RAD,
            Dusk.ASTRONOMICAL: ASTRONOMICAL_RAD,
        }[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Occasion:
    """One verification that is due at an aware UTC instant."""

    due: datetime
    rule: Rule
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """When verifications are due.

    Attributes
    ----------
    times : tuple of time
        By the clock on the wall, every day.
    zone : tzinfo or None
        Of that clock; None: this computer's.
    after_dusk : timedelta or None
        So long after dusk; None: not by dusk.
    dusk : Dusk
        Which dusk.
    """

    times: tuple[time, ...] = ()
    zone: tzinfo | None = None
    after_dusk: timedelta | None = None
    dusk: Dusk = Dusk.NAUTICAL

    @property
    def empty(self) -> bool:
        """True where neither clock nor dusk make anything due."""
        return not self.times and self.after_dusk is None

    def between(self, start: datetime, end: datetime, place: Place | None) -> list[Occasion]:
        """Return what is due from ``start`` to ``end`` by clock and dusk, in order.

        Without a place nothing is due by dusk; neither where that dusk does not come.
        """
        found = [*self._by_clock(start, end)]
        if place is not None and self.after_dusk is not None:
            found += self._by_dusk(start, end, place, self.after_dusk)
        return sorted(found, key=lambda occasion: occasion.due)

    def _by_clock(self, start: datetime, end: datetime) -> list[Occasion]:
        if not self.times:
            return []
        found = []
        day = start.astimezone(self.zone).date() - _DAY
        while day <= end.astimezone(self.zone).date() + _DAY:
            for moment in self.times:
                due = instant_of(day, moment, self.zone)
                if start <= due <= end:
                    key = f"{Rule.CLOCK}:{day.isoformat()}:{moment:%H:%M}"
                    found.append(Occasion(due=due, rule=Rule.CLOCK, key=key))
            day += _DAY
        return found

    def _by_dusk(
        self, start: datetime, end: datetime, place: Place, after: timedelta
    ) -> list[Occasion]:
        found = []
        day = (start - after).date() - 2 * _DAY
        while day <= (end - after).date() + 2 * _DAY:
            comes = _dusk_of(place, day, self.dusk)
            if comes is not None and start <= (due := comes + after) <= end:
                key = f"{Rule.DUSK}:{day.isoformat()}"
                found.append(Occasion(due=due, rule=Rule.DUSK, key=key))
            day += _DAY
        return found


@lru_cache(maxsize=32)
def _dusk_of(place: Place, day: date, dusk: Dusk) -> datetime | None:
    """Return the dusk of a day as the Sun over a place counts days; some 0.1 s of work, once."""
    midday = datetime.combine(day, time(12), UTC) - timedelta(hours=place.longitude_deg / 15.0)
    noon = local_noon(place, midday)
    return sun_crosses(place, noon, noon + _HALF_DAY, dusk.altitude_rad)


def by_plan(due: datetime | None) -> list[Occasion]:
    """Return what a plan makes due."""
    if due is None:
        return []
    key = f"{Rule.PLAN}:{due.isoformat(timespec='minutes')}"
    return [Occasion(due=due, rule=Rule.PLAN, key=key)]


def instant_of(day: date, moment: time, zone: tzinfo | None) -> datetime:
    """Return when a clock on the wall shows a time on a day (aware UTC instant).

    A time that the clock shows twice, when summer ends, is the first of both; one that it leaps
    over, when summer begins, comes as much later as it leaps (PEP 495, fold 0).
    """
    wall = datetime.combine(day, moment)
    # Without a zone Python takes a naive time for one of this computer's clock.
    aware = wall.replace(tzinfo=zone) if zone is not None else wall.astimezone()
    return aware.astimezone(UTC)
