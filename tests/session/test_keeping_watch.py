"""The watch over in-memory ports: frames and a guide star's offsets are handed over."""

import asyncio
from datetime import timedelta

import numpy as np
import pytest

from polewright.core.errors import LinkError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.geometry.rotations import rotation_about
from polewright.core.imaging.frame import Frame
from polewright.ports import GuideOffset
from polewright.session.evening import Evening
from polewright.session.phases import Phase
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)
from tests.session.test_drift_check import TrackingMount
from tests.session.test_evening import _bolts

FRAME_S = 120.0


class Handed:
    """A night's imaging: every two minutes a frame, and what happens before it."""

    words = "frames in memory"

    def __init__(self, clock, frames, *, before=None, offsets=()):
        self.clock = clock
        self.left = frames
        self.before = before or {}
        self.offsets = list(offsets)
        self.number = 0
        self.ended = asyncio.Event()

    def begin(self):
        self.number = 0

    async def next_frame(self):
        if self.number >= self.left:
            self.ended.set()
            await asyncio.Event().wait()
        self.before.get(self.number, lambda: None)()
        self.number += 1
        await self.clock.wait_until_s(self.number * FRAME_S)
        return Frame(
            pixels=np.zeros((960, 1280), np.uint16),
            mid_exposure=self.clock.now(),
            exposure_s=FRAME_S,
            camera="Hoopoe",
        )

    async def next_offset(self):
        if not self.offsets:
            await asyncio.Event().wait()
        await asyncio.sleep(0)
        return self.offsets.pop(0)


class SharedClock(VirtualClock):
    """Time goes on to the earliest moment that anybody waits for."""

    def __init__(self):
        super().__init__()
        self.waiting = []

    async def sleep(self, duration_s):
        await self.wait_until_s(self.elapsed_s + duration_s)

    async def wait_until_s(self, until_s):
        mine = (until_s, id(object()))
        self.waiting.append(mine)
        try:
            while self.elapsed_s < until_s:
                await asyncio.sleep(0)
                # Others get their turn first; then the earliest goes on.
                for _ in range(3):
                    await asyncio.sleep(0)
                if mine == min(self.waiting):
                    self.elapsed_s = max(self.elapsed_s, until_s)
        finally:
            self.waiting.remove(mine)


class Night:
    def __init__(self, frames=14, *, offsets=(), before=None, mount=True, declination=-30.0):
        self.clock = SharedClock()
        self.mount = TrackingMount(
            self.clock, place=TERRACE, declination=declination, head=_bolts(1.0, -0.5)
        )
        self.mount.start_s = 0.0
        self.publisher = MemoryPublisher()
        self.handed = Handed(self.clock, frames, offsets=offsets, before=before)
        self.evening = Evening(
            MemorySolver(self.mount, np.random.default_rng(3), noise_px=0.05),
            self.clock,
            self.publisher,
            EveningWishes(survey=SurveyWish(frames=3, sweep_deg=60.0, settle_s=0.5)),
            watched=self.handed,
        )
        self.evening.attach(MemoryCamera(self.clock), self.mount if mount else None, TERRACE)

    async def watched(self):
        await self.surveyed()
        watch = asyncio.ensure_future(self.evening.handle("keep_watch", {}))
        await asyncio.wait_for(self.handed.ended.wait(), 60.0)
        await self.settle()
        return watch

    async def surveyed(self):
        # The mount in memory stands still for a survey, and tracks from then on.
        self.mount.start_s = float("inf")
        mount = self.mount
        still = type(mount).__mro__[1].camera_enu
        mount.camera_enu = lambda: still(mount)
        await self.evening.handle("confirm_clear", {})
        await self.evening.handle("survey", {})
        del mount.camera_enu
        mount.start_s = self.clock.elapsed_s
        self.handed.clock.elapsed_s = self.clock.elapsed_s

    async def settle(self):
        for _ in range(200):
            await asyncio.sleep(0.005)

    def events(self):
        return [payload for topic, payload, _ in self.publisher.messages if topic == "event"]

    def codes(self):
        return [event["code"] for event in self.events()]

    def bump(self, arcmin=2.0):
        def bump():
            self.mount.head = (
                rotation_about(np.array([1.0, 0.0, 0.0]), arcmin * ARCMIN_RAD) @ self.mount.head
            )

        return bump


async def test_without_a_known_axis_or_inputs_it_says_what_is_missing():
    night = Night()
    with pytest.raises(UsageError) as refused:
        await night.evening.handle("keep_watch", {})
    assert refused.value.code == "no_known_axis"
    night.evening._watched = None
    with pytest.raises(UsageError) as refused:
        await night.evening.handle("keep_watch", {})
    assert refused.value.code == "nothing_watched"


async def test_a_quiet_night_raises_no_alarm_and_moves_nothing():
    night = Night()
    watch = await night.watched()
    assert night.evening.phase is Phase.WATCHING
    told = night.publisher.last("watch")
    assert (told["frames"], told["alarms"], told["mount_vouches"]) == (14, [], True)
    slews = len(night.mount.slews)
    assert (await night.evening.handle("keep_watch", {"end": True})) == {"stopped": True}
    ended = await watch
    assert (ended["stopped"], ended["frames"], ended["alarms"]) == (True, 14, 0)
    assert night.evening.phase is Phase.IDLE
    assert (len(night.mount.slews), night.mount.aborted) == (slews, 0)
    assert night.publisher.last("watch")["watching"] is False


async def test_a_bumped_tripod_is_an_alarm_with_size_and_direction():
    night = Night()
    night.handed.before[9] = night.bump(2.0)
    watch = await night.watched()
    (alarm,) = night.publisher.last("watch")["alarms"]
    # In the south raising about east lifts the northern end: the elevated one sinks.
    assert alarm["altitude_move_arcmin"] == pytest.approx(
        -2.0, abs=2.5 * alarm["altitude_move_sigma_arcmin"]
    )
    assert alarm["confidence_percent"] > 99.9
    (moved,) = [event for event in night.events() if event["code"] == "moved"]
    assert "down by" in moved["text"]
    assert "polewright drift" in moved["remedy"]
    await night.evening.handle("keep_watch", {"end": True})
    await watch
    assert night.evening._memory.axis.doubtful


async def test_a_go_to_is_no_alarm_and_another_command_ends_the_watch():
    night = Night()

    def elsewhere():
        night.mount.declination, night.mount.hour_angle = 5.0, -20.0

    night.handed.before[7] = elsewhere
    watch = await night.watched()
    assert night.publisher.last("watch")["alarms"] == []
    await night.evening.handle("drift", {"minutes": 1.0, "exposure_s": 1.0})
    assert (await watch)["stopped"] is True
    assert night.evening.phase is Phase.IDLE


async def test_a_jump_of_the_guide_star_is_an_alarm_where_the_mount_was_left_alone():
    night = Night(frames=3)
    await night.surveyed()
    start = night.clock.now() + timedelta(seconds=4.0)
    norths = [0.3 * (-1) ** n + (70.0 if n >= 30 else 0.0) for n in range(60)]
    night.handed.offsets = []
    for n, north in enumerate(norths):
        night.handed.offsets.append(
            GuideOffset(instant=start + timedelta(seconds=5.0 * n), declination_arcsec=north)
        )
    handed = night.handed

    async def paced():
        if not handed.offsets:
            await asyncio.Event().wait()
        offset = handed.offsets[0]
        await night.clock.wait_until_s((offset.instant - night.clock.start).total_seconds() + 3.0)
        return handed.offsets.pop(0)

    handed.next_offset = paced
    watch = asyncio.ensure_future(night.evening.handle("keep_watch", {}))
    await asyncio.wait_for(handed.ended.wait(), 60.0)
    await night.settle()
    alarms = night.publisher.last("watch")["alarms"]
    assert [alarm["evidence"] for alarm in alarms] == ["guide_jump"]
    watch.cancel()


async def test_a_watch_goes_on_while_the_devices_are_away():
    night = Night(frames=4)
    watch = await night.watched()
    night.evening.detach(LinkError("the server is away", remedy="Look at it.", code="lost"))
    await night.settle()
    assert night.evening.phase is Phase.WATCHING
    assert not watch.done()
    night.evening.attach(MemoryCamera(night.clock), night.mount, TERRACE)
    assert night.evening.phase is Phase.WATCHING
    assert (await night.evening.handle("keep_watch", {"end": True})) == {"stopped": True}
    assert (await watch)["frames"] == 4
