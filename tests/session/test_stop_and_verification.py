"""A stop goes before everything: what was only about to begin, and what a verification opens."""

import asyncio

import pytest

from polewright.core.errors import DeviceError, PolewrightError
from polewright.session.phases import Phase
from tests.session.test_verifying import _ready, _stage


async def _ended(awaited):
    try:
        return await awaited
    except PolewrightError as failure:
        return failure.code


@pytest.mark.parametrize("verb", ["survey", "verify"])
async def test_what_was_asked_for_before_a_stop_does_not_begin_after_it(verb):
    """While the plan is worked out nothing runs yet, and nothing may begin once it is done."""
    stage = _stage()
    await stage.evening.handle("confirm_clear", {})
    working, go_on = asyncio.Event(), asyncio.Event()

    async def slowly():
        working.set()
        await go_on.wait()

    stage.evening.planner.refresh = slowly
    asked = asyncio.create_task(_ended(stage.evening.handle(verb, {})))
    await working.wait()
    await stage.evening.handle("stop", {})
    go_on.set()
    assert await asked == "stopped"
    assert stage.mount.slews == []
    assert stage.camera.frames == 0
    assert stage.evening.phase is Phase.IDLE


async def test_nothing_begins_where_a_stop_came_while_a_watch_was_ended_for_it():
    stage = await _ready()
    ending, ended = asyncio.Event(), asyncio.Event()

    async def slowly():
        ending.set()
        await ended.wait()

    stage.evening._end_watch = slowly
    asked = asyncio.create_task(_ended(stage.evening.handle("survey", {})))
    await ending.wait()
    await stage.evening.handle("stop", {})
    ended.set()
    assert await asked == "stopped"
    assert stage.mount.slews == []


async def test_a_mount_that_takes_its_stop_slowly_leaves_the_gate_shut():
    """The look ends well while the mount still confirms the stop: nothing is begun by it."""
    stage = await _ready()
    looking, frame_comes, confirms = asyncio.Event(), asyncio.Event(), asyncio.Event()
    expose = stage.camera.expose

    async def exposed(exposure_s):
        looking.set()
        await frame_comes.wait()
        return await expose(exposure_s)

    stage.camera.expose = exposed
    stage.mount.abort = confirms.wait
    verifying = asyncio.create_task(_ended(stage.evening.handle("verify", {"depth": "quick"})))
    await looking.wait()
    stopping = asyncio.create_task(stage.evening.handle("stop", {}))
    await asyncio.sleep(0)
    frame_comes.set()
    await asyncio.wait({verifying}, timeout=5.0)
    assert stage.gate.opened == []
    confirms.set()
    await stopping
    assert await verifying == "stopped"
    assert stage.publisher.last("schedule")["last"]["code"] == "stopped"
    assert stage.evening.phase is Phase.IDLE


async def test_motors_that_do_not_take_a_stop_after_a_loss_are_told_again_the_next_time():
    stage = _stage()
    evening = stage.evening
    evening._attached._motors_lost.add("Kudu Bolts")

    class Deaf:
        name = "Kudu Bolts"
        asked = 0

        async def abort(self):
            self.asked += 1
            if self.asked == 1:
                raise DeviceError("it does not answer", remedy="Switch it off.", code="no_answer")

    deaf = Deaf()
    await evening.stop_motors_after_loss(deaf)
    _, trouble = await evening._stop()
    assert trouble is not None, "they may still turn"
    await evening.stop_motors_after_loss(deaf)
    await evening.stop_motors_after_loss(deaf)
    assert deaf.asked == 2
    _, trouble = await evening._stop()
    assert trouble is None
