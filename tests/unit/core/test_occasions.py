"""When verifications are due: by the clock through summer time, by dusk, before a window."""

import itertools
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.occasions import Dusk, Rule, Timetable, by_plan, instant_of
from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import sun_day

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
NORTH_CAPE = Place(latitude_deg=71.2, longitude_deg=25.8, elevation_m=300.0)
# Clocks there leap at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC).
SWISS = ZoneInfo("Europe/Zurich")


def _utc(*moment):
    return datetime(*moment, tzinfo=UTC)


def _days(timetable, start, days, place=None):
    return timetable.between(start, start + timedelta(days=days), place)


def test_every_day_once_by_the_clock_on_the_wall_through_the_end_of_summer_time():
    table = Timetable(times=(time(21, 30),), zone=SWISS)
    due = [one.due for one in _days(table, _utc(2026, 10, 24, 0), 3)]
    # 24 October is summer time (UTC+2), 25 October not any more (UTC+1).
    assert due == [
        _utc(2026, 10, 24, 19, 30),
        _utc(2026, 10, 25, 20, 30),
        _utc(2026, 10, 26, 20, 30),
    ]


def test_a_time_that_the_clock_shows_twice_counts_once_the_first_time():
    table = Timetable(times=(time(2, 30),), zone=SWISS)
    due = [one.due for one in _days(table, _utc(2026, 10, 24, 12), 1)]
    assert due == [_utc(2026, 10, 25, 0, 30)]


def test_a_time_that_the_clock_leaps_over_comes_as_much_later():
    table = Timetable(times=(time(2, 30),), zone=SWISS)
    (one,) = _days(table, _utc(2026, 3, 28, 12), 1)
    # 02:30 does not exist on 29 March 2026; 03:30 summer time is 01:30 UTC.
    assert one.due == _utc(2026, 3, 29, 1, 30)


def test_without_a_zone_it_is_this_computers_clock(monkeypatch):
    import time as clock

    monkeypatch.setenv("TZ", "Europe/Zurich")
    clock.tzset()
    try:
        summer = instant_of(date(2026, 7, 1), time(21, 30), None)
        winter = instant_of(date(2026, 12, 1), time(21, 30), None)
        assert (summer, winter) == (_utc(2026, 7, 1, 19, 30), _utc(2026, 12, 1, 20, 30))
    finally:
        monkeypatch.undo()
        clock.tzset()


@given(
    hours=st.integers(0, 24 * 365),
    moment=st.times(max_value=time(23, 59)),
    zone=st.sampled_from(["Europe/Zurich", "Africa/Windhoek", "Pacific/Apia", "America/St_Johns"]),
)
@settings(max_examples=60, deadline=None)
def test_any_day_has_each_time_once_and_keys_do_not_change(hours, moment, zone):
    """Half a year's leap included; a local day without it would be a missed night."""
    at = moment.replace(second=0, microsecond=0)
    table = Timetable(times=(at,), zone=ZoneInfo(zone))
    start = _utc(2026, 1, 1) + timedelta(hours=hours)
    found = _days(table, start, 4)
    assert len(found) in (4, 5)
    assert len({one.key for one in found}) == len(found)
    later = _days(table, start + timedelta(hours=7), 4)
    again = {one.due: one.key for one in later}
    assert all(again.get(one.due, one.key) == one.key for one in found)
    assert all(
        timedelta(hours=22) < b.due - a.due < timedelta(hours=26)
        for a, b in itertools.pairwise(found)
    )


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize("dusk", list(Dusk))
def test_by_dusk_every_evening(place, dusk):
    after = timedelta(minutes=20)
    table = Timetable(after_dusk=after, dusk=dusk)
    found = _days(table, _utc(2026, 11, 20, 3), 2, place)
    assert len(found) == 2
    for one in found:
        day = sun_day(place, one.due - timedelta(hours=6))
        comes = {
            Dusk.CIVIL: day.civil_dusk,
            Dusk.NAUTICAL: day.nautical_dusk,
            Dusk.ASTRONOMICAL: day.astronomical_dusk,
        }[dusk]
        assert comes is not None
        assert abs(one.due - after - comes) < timedelta(seconds=1)
        assert one.rule is Rule.DUSK
    assert len({one.key for one in found}) == 2


def test_before_dusk_and_long_after_it_too():
    for minutes in (-120.0, 720.0):
        table = Timetable(after_dusk=timedelta(minutes=minutes))
        assert len(_days(table, _utc(2026, 6, 1), 1, TERRACE)) == 1


def test_where_the_sun_does_not_go_down_nothing_is_due_nor_without_a_place():
    table = Timetable(after_dusk=timedelta(minutes=20))
    assert _days(table, _utc(2026, 6, 20), 1, NORTH_CAPE) == []
    assert _days(table, _utc(2026, 11, 20), 3, None) == []


def test_a_window_makes_one_due():
    assert by_plan(None) == []
    (one,) = by_plan(_utc(2026, 11, 25, 18, 40))
    assert (one.rule, one.due) == (Rule.PLAN, _utc(2026, 11, 25, 18, 40))
