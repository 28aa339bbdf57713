"""The clock on the wall against the time zone database, over changes to and from summer time."""

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from polewright.core.plan.window import ClockHours
from polewright.session.local_time import local_zone, wall_clock_words


@pytest.fixture(params=["Europe/Zurich", "Australia/Hobart", "Africa/Windhoek"])
def zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[ZoneInfo]:
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield ZoneInfo(request.param)
    monkeypatch.undo()
    time.tzset()


def test_it_shows_what_the_database_says_about_every_change(zone: ZoneInfo) -> None:
    wall = local_zone()
    # Zurich and Hobart change within these months, Windhoek never.
    for start in (datetime(2026, 3, 25, tzinfo=UTC), datetime(2026, 10, 1, tzinfo=UTC)):
        for half_hours in range(30 * 48):
            instant = start + timedelta(minutes=30 * half_hours)
            shown, wanted = instant.astimezone(wall), instant.astimezone(zone)
            assert shown.replace(tzinfo=None) == wanted.replace(tzinfo=None)
            assert shown.fold == wanted.fold
            assert shown.astimezone(UTC) == instant


def test_hours_of_the_next_evening_are_those_of_the_clock_then(zone: ZoneInfo) -> None:
    """Worked out when one window has ended; the clock changes before the next one begins."""
    hours = ClockHours(start_min=22 * 60, end_min=60)
    for ended in (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 4, 4, 15, tzinfo=UTC)):
        assert hours.window(ended, local_zone()) == hours.window(ended, zone)


def test_words_are_of_the_instants_own_offset(zone: ZoneInfo) -> None:
    for month in (1, 7):
        instant = datetime(2026, month, 15, 20, 0, tzinfo=UTC)
        assert wall_clock_words(instant) == f"{instant.astimezone(zone):%H:%M}"
