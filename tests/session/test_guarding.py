"""The guard over an evening: tracking, filters, links lost in a motion, sites overwritten."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from polewright.core.errors import LinkError, SafetyError
from polewright.core.sky.doubts import Bars
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import PlaceReading, Source, place_doubts
from polewright.session.evening import Evening
from polewright.session.guarding import WATCH_EVERY_S, Guard
from polewright.session.limits import SafetyLimits
from polewright.session.phases import Phase
from polewright.session.site import Site
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    ALL,
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemoryPublisher,
    VirtualClock,
)

FORENOON = datetime(2026, 11, 25, 7, 0, tzinfo=UTC)
ELSEWHERE = Place(latitude_deg=-32.40, longitude_deg=-22.70)
SITE = Site(
    place=TERRACE,
    reading=PlaceReading(source=Source.SETTINGS, place=TERRACE),
    mount_tells_place=True,
)


class TrackingMount(MemoryMount):
    """Follows the sky from where it was left, until tracking is stopped."""

    tracks = True
    left_s = 0.0
    told_place = TERRACE
    deaf = False

    async def slew_to(self, right_ascension, declination):
        await super().slew_to(right_ascension, declination)
        self.left_s, self.tracks = self.clock.elapsed_s, True

    async def status(self):
        if self.tracks:
            self.hour_angle += (self.clock.elapsed_s - self.left_s) * 360.0 / 86164.0905
            self.left_s = self.clock.elapsed_s
        return await super().status()

    async def set_tracking(self, *, on):
        assert not on
        self.tracks = False

    async def abort(self):
        if self.deaf:
            raise LinkError("the link is gone", remedy="Wait.")
        await super().abort()

    async def place(self):
        return self.told_place


class Bench:
    def __init__(self, start=None, *, limits=None, site=SITE, **of_mount):
        self.clock = VirtualClock(start) if start else VirtualClock()
        # The memory mount's own field of that name is its true site.
        self.mount = TrackingMount(self.clock, **of_mount)
        self.guard = Guard(self.clock, limits or SafetyLimits())
        self.told = []
        self.guard.attach(_Ported(self.mount), site, "Hoopoe")
        self.guard.confirm_clear()

    @property
    def guarded(self):
        return self.guard.mount

    async def watch(self, hours: float) -> None:
        codes = frozenset()
        for _ in range(round(hours * 3600.0 / WATCH_EVERY_S)):
            await self.clock.sleep(WATCH_EVERY_S)
            codes = await self.guard.look(self.told.append, codes)


class _Ported:
    """The memory mount under the port's names: there `place` is asked for, not looked at."""

    def __init__(self, mount):
        self._mount = mount

    def __getattr__(self, name):
        return getattr(self._mount, name)

    async def place(self):
        return self._mount.told_place


async def test_a_mount_left_tracking_is_stopped_before_the_hour_angle_limit():
    bench = Bench()
    await bench.guarded.turn_to(80.0, -60.0)
    await bench.watch(2.0)
    (trouble,) = bench.told
    assert trouble.code == "tracking_stopped"
    assert not bench.mount.tracks
    assert 88.0 < bench.mount.hour_angle < 90.0


async def test_a_mount_left_tracking_is_stopped_before_the_altitude_floor():
    low = SafetyLimits(altitude_floor_deg=30.0)
    bench = Bench(limits=low, hour_angle=40.0, declination=-40.0)
    await bench.guarded.turn_to(50.0, -40.0)
    await bench.watch(3.0)
    (trouble,) = bench.told
    assert "altitude floor" in trouble.text
    assert not bench.mount.tracks


# Before sunrise on the terrace (03:20 UTC): the Sun is below the horizon and harms nothing yet.
DAWN = datetime(2026, 11, 25, 2, 40, tzinfo=UTC)


async def test_a_mount_that_follows_the_stars_before_a_rising_sun_is_told_once_and_not_stopped():
    """Standing, it would be swept by the Sun; following, it keeps its distance."""
    low = SafetyLimits(altitude_floor_deg=0.0, hour_angle_min_deg=-120.0)
    bench = Bench(DAWN, limits=low, hour_angle=-85.0, declination=-10.0)
    await bench.guarded.turn_to(-94.0, -14.0)
    await bench.watch(1.0)
    (trouble,) = bench.told
    assert trouble.code == "sun_near"
    assert bench.mount.tracks


async def test_a_mount_that_follows_the_stars_behind_the_sun_is_stopped():
    """It was pointed there under a filter that is off now; the Sun has gone ahead to the west."""
    bench = _sunny()
    bench.guard.confirm_solar_filter("Hoopoe", fitted=True)
    await bench.guarded.turn_to(-65.0, -20.0)
    bench.guard.confirm_solar_filter("Hoopoe", fitted=False)
    await bench.watch(0.1)
    (trouble,) = bench.told
    assert trouble.code == "tracking_stopped"
    assert not bench.mount.tracks


async def test_a_mount_that_somebody_else_moved_is_left_alone():
    bench = Bench()
    await bench.guarded.turn_to(80.0, -60.0)
    await bench.watch(0.1)
    bench.mount.hour_angle, bench.mount.declination = 85.0, -40.0
    await bench.watch(2.0)
    assert bench.told == []
    assert bench.mount.tracks


async def test_a_mount_that_polewright_never_moved_is_left_alone():
    bench = Bench(hour_angle=80.0, declination=-60.0)
    await bench.watch(2.0)
    assert bench.told == []


def _sunny(**kw):
    # The Sun stands in the north-east; the mount points near the south pole.
    return Bench(FORENOON, hour_angle=-40.0, declination=-70.0, **kw)


async def _refusal(bench, hour_angle=-45.0, declination=-20.0):
    with pytest.raises(SafetyError) as caught:
        await bench.guarded.turn_to(hour_angle, declination)
    return caught.value.code


async def test_a_confirmed_filter_lifts_the_cone_and_nothing_else():
    bench = _sunny()
    assert await _refusal(bench) == "sun"
    bench.guard.confirm_solar_filter("Hoopoe", fitted=True)
    assert await _refusal(bench, -45.0, 60.0) == "altitude_floor"
    await bench.guarded.turn_to(-45.0, -20.0)
    assert bench.mount.slews


async def test_a_filter_on_another_camera_is_refused():
    bench = _sunny()
    with pytest.raises(SafetyError) as caught:
        bench.guard.confirm_solar_filter("Lapwing", fitted=True)
    assert caught.value.code == "other_camera"
    assert await _refusal(bench) == "sun"


@pytest.mark.parametrize("end", ["removed", "attached anew", "other camera", "six hours"])
async def test_the_word_for_a_filter_ends(end):
    bench = _sunny()
    bench.guard.confirm_solar_filter("Hoopoe", fitted=True)
    assert bench.guarded.solar_filter
    match end:
        case "removed":
            bench.guard.confirm_solar_filter("Hoopoe", fitted=False)
        case "six hours":
            await bench.clock.sleep(6.01 * 3600.0)
        case _:
            camera = "Hoopoe" if end == "attached anew" else "Lapwing"
            bench.guard.attach(_Ported(bench.mount), SITE, camera)
    assert not bench.guarded.solar_filter


async def test_a_site_that_another_program_overwrites_is_told_once_and_stops_motion_by_day():
    bench = _sunny()
    bench.mount.told_place = ELSEWHERE
    await bench.watch(0.1)
    (trouble,) = bench.told
    assert trouble.code == "site_overwritten"
    assert await _refusal(bench, -60.0, -70.0) == "place_or_time_in_doubt"
    bench.mount.told_place = TERRACE
    await bench.watch(0.1)
    await bench.guarded.turn_to(-60.0, -70.0)


async def test_a_doubt_by_day_lets_a_mount_move_by_night():
    readings = [
        PlaceReading(source=Source.SETTINGS, place=TERRACE),
        PlaceReading(source=Source.MOUNT, place=ELSEWHERE),
    ]
    doubts = place_doubts(readings)
    assert [doubt.bars for doubt in doubts] == [Bars.BY_DAY]
    await Bench(site=replace(SITE, doubts=doubts)).guarded.turn_to(50.0, -70.0)
    assert await _refusal(_sunny(site=replace(SITE, doubts=doubts)), -60.0, -70.0) == (
        "place_or_time_in_doubt"
    )


async def test_a_clock_that_is_set_in_the_evening_takes_the_word_with_it():
    bench = Bench()
    bench.clock.start += timedelta(minutes=20)
    assert await _refusal(bench, 40.0, -70.0) == "clock_jumped"
    assert await _refusal(bench, 40.0, -70.0) == "not_confirmed_clear"
    bench.guard.confirm_clear()
    await bench.guarded.turn_to(40.0, -70.0)


async def test_a_mount_that_cannot_stop_is_not_moved():
    bench = Bench(capabilities=replace(ALL, can_abort=False))
    assert await _refusal(bench, 40.0, -70.0) == "cannot_stop"


class EveningOfAMount:
    """An evening with one mount, whose link may break in its next slew."""

    def __init__(self):
        self.clock = VirtualClock()
        self.mount = TrackingMount(self.clock)
        self.publisher = MemoryPublisher()
        self.evening = Evening(_NoSolver(), self.clock, self.publisher, EveningWishes())
        self.attach()

    def attach(self):
        self.evening.attach(MemoryCamera(self.clock), _Ported(self.mount), TERRACE)

    async def lost_in_a_slew(self):
        """Break the link in the slew of a survey, and take note that it is gone."""
        await self.evening.handle("confirm_clear", {})

        async def lost(right_ascension, declination):
            self.mount.deaf = True
            raise LinkError("the link broke", remedy="Wait.")

        self.mount.slew_to = lost
        self.mount.hour_angle = 1.0  # the survey has to turn before its first frame
        with pytest.raises(SafetyError, match="may still move"):
            await self.evening.handle("survey", {})
        assert self.evening.phase is Phase.BLOCKED
        self.evening.detach(LinkError("the link broke", remedy="Wait."))


async def test_after_a_link_lost_in_a_motion_the_mount_is_stopped_and_the_word_is_gone():
    scene = EveningOfAMount()
    evening, mount, publisher = scene.evening, scene.mount, scene.publisher
    await scene.lost_in_a_slew()
    aborted = mount.aborted
    mount.deaf = False
    await evening.stop_after_loss(_Ported(mount))
    assert mount.aborted == aborted + 1
    scene.attach()
    assert evening.phase is Phase.BLOCKED
    assert "was lost while it moved" in publisher.last("state")["reason"]
    with pytest.raises(SafetyError) as caught:
        await evening.handle("survey", {})
    assert caught.value.code == "not_confirmed_clear"


async def test_a_stop_that_the_mount_does_not_take_fails_and_says_what_to_do():
    scene = EveningOfAMount()
    evening, mount, publisher = scene.evening, scene.mount, scene.publisher
    assert await evening.handle("stop", {}) == {"stopped": False}
    mount.deaf = True
    with pytest.raises(SafetyError) as caught:
        await evening.handle("stop", {})
    assert caught.value.code == "not_stopped"
    assert "power switch" in caught.value.remedy
    assert publisher.last("event")["code"] == "not_stopped"


async def test_a_stop_while_a_mount_is_out_of_reach_says_that_it_may_move():
    bench = Bench()
    mount = bench.mount

    async def lost(right_ascension, declination):
        raise LinkError("the link broke", remedy="Wait.")

    mount.slew_to = lost
    with pytest.raises(LinkError):
        await bench.guarded.turn_to(50.0, -70.0)
    trouble = bench.guard.detach()
    assert trouble is not None
    assert trouble.code == "lost_in_motion"
    assert (await bench.guard.stop()).code == "lost_in_motion"
    # Back, and not yet told: a stop tells it, and then nothing is in doubt.
    bench.guard.attach(_Ported(mount), SITE, "Hoopoe")
    assert bench.guard.must_stop
    assert await bench.guard.stop() is None
    assert not bench.guard.must_stop
    assert mount.aborted == 1


async def test_a_stop_of_another_mount_does_not_hide_the_one_that_was_lost():
    bench = Bench()
    bench.guard._lost_in_motion.add("Eland")
    trouble = await bench.guard.stop()
    assert bench.mount.aborted == 1
    assert trouble.code == "lost_in_motion"
    assert "Eland" in trouble.text


async def test_the_loss_of_a_moving_mount_is_told_at_once_and_a_stop_does_not_hide_it():
    scene = EveningOfAMount()
    evening, publisher = scene.evening, scene.publisher
    await scene.lost_in_a_slew()
    state = publisher.last("state")
    assert "may still move" in state["reason"]
    assert "power switch" in state["remedy"]
    with pytest.raises(SafetyError) as caught:
        await evening.handle("stop", {})
    assert caught.value.code == "lost_in_motion"


async def test_blocked_always_has_a_reason_and_a_remedy_also_before_a_lost_mount_was_stopped():
    scene = EveningOfAMount()
    evening, mount, publisher = scene.evening, scene.mount, scene.publisher
    await scene.lost_in_a_slew()
    # Other devices answer sooner than the stop.
    scene.attach()
    assert publisher.last("state")["step"] == "ready"
    mount.deaf = False
    await evening.stop_after_loss(_Ported(mount))
    assert "telling it to stop" in publisher.last("state")["step"]
    states = [payload for topic, payload, _ in publisher.messages if topic == "state"]
    blocked = [state for state in states if state["state"] == "blocked"]
    assert len(blocked) >= 4
    assert all(state["reason"] and state["remedy"] for state in blocked), blocked


async def test_a_link_lost_at_rest_keeps_the_word():
    bench = Bench()
    mount = bench.mount
    bench.guard.detach()
    assert await bench.guard.stop_after_loss(_Ported(mount)) is None
    bench.guard.attach(_Ported(mount), SITE, "Hoopoe")
    await bench.guarded.turn_to(50.0, -70.0)
    assert mount.aborted == 0


async def test_no_motion_begins_once_a_stop_was_asked_for():
    bench = Bench()
    async with asyncio.TaskGroup() as tasks:
        turning = tasks.create_task(_code(bench.guarded.turn_to(50.0, -70.0)))
        bench.guarded.halt()
    assert turning.result() == "stopped"
    assert bench.mount.slews == []


async def _code(work) -> str:
    try:
        await work
    except SafetyError as refused:
        return refused.code
    return "done"


class _NoSolver:
    async def prepare(self, *_a, **_k) -> None:
        return None

    async def solve(self, frame, hint):
        raise AssertionError("no frame is taken")
