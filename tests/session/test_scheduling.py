"""The schedule over a clock that a test sets: due, waiting, missed, set back, started anew."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from polewright.core.errors import DeviceError, UsageError
from polewright.core.occasions import Timetable
from polewright.session.schedule_wish import ScheduleWish
from polewright.session.scheduling import Schedule
from tests.session.ports_in_memory import TERRACE, VirtualClock

DUE = datetime(2026, 11, 25, 20, 30, tzinfo=UTC)
# UTC+2 all year.
ZONE = ZoneInfo("Africa/Windhoek")
WISH = ScheduleWish(timetable=Timetable(times=(time(22, 30),), zone=ZONE))


class Evening:
    """Stands in for the evening: remembers when it was asked."""

    def __init__(self, clock):
        self.clock = clock
        self.place = TERRACE
        self.why = None
        self.asked = []
        self.told = {}
        self.warned = []
        self.failure = None

    def unready(self):
        return self.why

    async def handle(self, verb, arguments):
        assert verb == "verify"
        assert arguments == {"scheduled": True}
        self.asked.append(self.clock.now())
        if self.failure is not None:
            raise self.failure
        return {}

    def tell_schedule(self, **parts):
        self.told |= parts

    def warn(self, text, *, remedy, code):
        self.warned.append((code, text, remedy))


class Night:
    def __init__(self, start, wish=WISH, plan_due=lambda: None):
        self.clock = VirtualClock(start)
        self.evening = Evening(self.clock)
        self.schedule = Schedule(self.evening, self.clock, wish, plan_due)

    async def until(self, instant):
        while self.clock.now() < instant:
            await self.schedule.look()
            await self.clock.sleep(60.0)

    def set_clock(self, instant):
        self.clock.start = instant - timedelta(seconds=self.clock.elapsed_s)


async def test_what_is_due_is_done_once_and_the_next_one_told():
    night = Night(DUE - timedelta(hours=3))
    await night.until(DUE - timedelta(minutes=1))
    assert night.evening.asked == []
    assert night.evening.told["next"] == {"due": DUE.isoformat(), "rule": "clock"}
    await night.until(DUE + timedelta(hours=2))
    (asked,) = night.evening.asked
    assert timedelta(0) <= asked - DUE <= timedelta(seconds=60)
    tomorrow = DUE + timedelta(days=1)
    assert night.evening.told["next"]["due"] == tomorrow.isoformat()
    night.set_clock(tomorrow - timedelta(minutes=2))
    await night.until(tomorrow + timedelta(minutes=3))
    assert len(night.evening.asked) == 2
    assert night.evening.warned == []


async def test_other_work_is_waited_for_and_not_interrupted():
    night = Night(DUE - timedelta(minutes=5))
    night.evening.why = "other work goes on: adjusting"
    await night.until(DUE + timedelta(minutes=10))
    assert night.evening.asked == []
    assert night.evening.told["waiting"] == "other work goes on: adjusting"
    night.evening.why = None
    await night.until(DUE + timedelta(minutes=12))
    assert len(night.evening.asked) == 1
    assert night.evening.told["waiting"] is None


async def test_after_its_grace_it_is_told_as_missed_with_the_reason():
    night = Night(DUE - timedelta(minutes=5))
    night.evening.why = "other work goes on: watching"
    await night.until(DUE + timedelta(hours=2))
    assert night.evening.asked == []
    ((code, text, remedy),) = night.evening.warned
    assert code == "verification_missed"
    assert "watching" in text
    assert "polewright verify" in remedy
    last = night.evening.told["last"]
    assert (last["verdict"], last["code"]) == ("cannot_tell", "verification_missed")
    assert last["scheduled"] is True


async def test_a_clock_set_back_does_not_bring_it_twice():
    night = Night(DUE - timedelta(minutes=1))
    await night.until(DUE + timedelta(minutes=1))
    night.set_clock(DUE - timedelta(hours=1))
    await night.until(DUE + timedelta(hours=1))
    assert len(night.evening.asked) == 1


async def test_a_clock_set_forward_within_the_grace_brings_it_at_once():
    night = Night(DUE - timedelta(hours=5))
    await night.until(DUE - timedelta(hours=4))
    night.set_clock(DUE + timedelta(minutes=10))
    await night.schedule.look()
    assert len(night.evening.asked) == 1
    assert night.evening.warned == []


async def test_a_computer_that_slept_over_it_says_so():
    night = Night(DUE - timedelta(hours=5))
    await night.until(DUE - timedelta(hours=4))
    night.set_clock(DUE + timedelta(hours=3))
    await night.schedule.look()
    assert night.evening.asked == []
    ((_, text, _),) = night.evening.warned
    assert "slept" in text


async def test_a_clock_that_had_never_been_set_is_no_missed_evening():
    """A small computer without a battery begins in 1970."""
    night = Night(datetime(1970, 1, 2, tzinfo=UTC))
    await night.until(datetime(1970, 1, 2, 0, 1, tzinfo=UTC))
    night.set_clock(DUE - timedelta(hours=1))
    await night.schedule.look()
    assert night.evening.warned == []
    await night.until(DUE + timedelta(minutes=1))
    assert len(night.evening.asked) == 1


@pytest.mark.parametrize(("after", "asked"), [(10, 1), (45, 0)])
async def test_after_a_power_cut_it_is_done_while_it_makes_sense(after, asked):
    night = Night(DUE + timedelta(minutes=after))
    await night.until(DUE + timedelta(minutes=after + 5))
    assert len(night.evening.asked) == asked


async def test_the_plan_makes_one_due_and_a_new_plan_another():
    due = [DUE]
    night = Night(DUE - timedelta(hours=1), ScheduleWish(), lambda: due[0])
    await night.until(DUE - timedelta(minutes=50))
    assert night.evening.told["next"]["rule"] == "plan"
    due[0] = DUE + timedelta(hours=1)
    await night.until(DUE + timedelta(hours=2))
    (asked,) = night.evening.asked
    assert abs(asked - due[0]) <= timedelta(seconds=60)
    assert night.evening.warned == []
    off = Night(DUE - timedelta(hours=1), ScheduleWish(before_plan=False), lambda: DUE)
    await off.until(DUE + timedelta(hours=1))
    assert off.evening.asked == []


async def test_two_that_came_due_meanwhile_are_one():
    wish = ScheduleWish(
        timetable=Timetable(times=(time(22, 30), time(22, 40)), zone=ZONE),
    )
    night = Night(DUE - timedelta(minutes=1), wish)
    night.evening.why = "other work goes on: surveying"
    await night.until(DUE + timedelta(minutes=15))
    night.evening.why = None
    await night.until(DUE + timedelta(hours=1))
    assert len(night.evening.asked) == 1
    assert night.evening.warned == []


async def test_by_dusk_it_waits_for_the_place():
    wish = ScheduleWish(timetable=Timetable(after_dusk=timedelta(minutes=20)))
    night = Night(datetime(2026, 11, 25, 15, 0, tzinfo=UTC), wish)
    night.evening.place = None
    await night.until(datetime(2026, 11, 25, 16, 0, tzinfo=UTC))
    assert night.evening.told["next"] is None
    night.evening.place = TERRACE
    await night.until(datetime(2026, 11, 25, 20, 0, tzinfo=UTC))
    assert len(night.evening.asked) == 1


async def test_a_failure_does_not_end_the_schedule():
    night = Night(DUE - timedelta(minutes=1))
    night.evening.failure = DeviceError("the camera is silent", remedy="Check it.")
    await night.until(DUE + timedelta(minutes=1))
    night.evening.failure = None
    night.set_clock(DUE + timedelta(days=1, minutes=-2))
    await night.until(DUE + timedelta(days=1, minutes=3))
    assert len(night.evening.asked) == 2


async def test_work_that_began_just_before_is_waited_for_as_well():
    night = Night(DUE - timedelta(minutes=1))
    night.evening.failure = UsageError("a survey is running", remedy="Wait.", code="busy")
    await night.until(DUE + timedelta(minutes=3))
    assert len(night.evening.asked) > 1
    assert night.evening.told["waiting"] == "other work began just before"
    night.evening.failure = None
    await night.until(DUE + timedelta(minutes=10))
    tries = len(night.evening.asked)
    await night.until(DUE + timedelta(minutes=40))
    assert len(night.evening.asked) == tries
    assert night.evening.warned == []
    assert night.evening.told["waiting"] is None


async def test_a_bug_in_a_verification_ends_neither_the_schedule_nor_the_service():
    night = Night(DUE - timedelta(minutes=1))
    night.evening.failure = ZeroDivisionError("a bug")
    await night.until(DUE + timedelta(minutes=3))
    assert len(night.evening.asked) == 1
    assert night.evening.told["next"]["due"] == (DUE + timedelta(days=1)).isoformat()
