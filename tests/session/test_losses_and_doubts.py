"""Words, doubts and motions over losses of the link, clocks that are set, and late answers."""

import asyncio
from datetime import timedelta

import pytest

from polewright.core.errors import DeviceError, LinkError, SafetyError
from polewright.core.sky.doubts import Bars, Doubt
from polewright.session.limits import SafetyLimits
from polewright.session.safe_adjuster import GuardedAdjuster
from polewright.session.synchronising import SolvedPlace
from tests.session.motors_in_memory import MemoryAdjuster
from tests.session.ports_in_memory import TERRACE, MemoryMount, VirtualClock
from tests.session.test_adjusting_by_motors import MotorStage
from tests.session.test_guarding import SITE, Bench, _Ported, _refusal, _sunny

GONE = LinkError("the link broke", remedy="Wait.")


# -- the word that it is clear -------------------------------------------------------------------


@pytest.mark.parametrize("when", ["while it is away", "before it goes"])
async def test_a_clock_that_is_set_takes_the_word_also_over_a_loss_of_the_link(when):
    bench = Bench()
    if when == "before it goes":
        bench.clock.start += timedelta(hours=8)
    bench.guard.detach()
    if when == "while it is away":
        bench.clock.start += timedelta(hours=8)
    bench.guard.attach(_Ported(bench.mount), SITE, "Hoopoe")
    assert await _refusal(bench, 40.0, -70.0) in ("clock_jumped", "not_confirmed_clear")


async def test_a_computer_that_slept_takes_the_word_for_a_filter_with_it():
    bench = _sunny()
    bench.guard.confirm_solar_filter("Hoopoe", fitted=True)
    # The clock of elapsed time stands while a computer sleeps.
    bench.clock.start += timedelta(hours=24)
    assert not bench.guarded.solar_filter
    bench.guard.confirm_clear()
    assert await _refusal(bench) == "sun"


async def test_a_word_given_while_a_mount_is_away_is_not_for_one_that_was_lost_in_a_motion():
    bench = Bench()

    async def lost(right_ascension, declination):
        raise GONE

    bench.mount.slew_to = lost
    with pytest.raises(LinkError):
        await bench.guarded.turn_to(50.0, -70.0)
    del bench.mount.slew_to
    assert bench.guard.detach() is not None
    bench.guard.confirm_clear()
    assert await bench.guard.stop_after_loss(_Ported(bench.mount)) is not None
    bench.guard.attach(_Ported(bench.mount), SITE, "Hoopoe")
    assert await _refusal(bench, 50.0, -70.0) == "not_confirmed_clear"


async def test_a_mount_that_was_seen_to_point_elsewhere_still_does_after_a_loss_of_the_link():
    bench = _sunny()
    # 27 deg from the Sun as the mount says it.
    status = await bench.guarded.status()
    elsewhere = SolvedPlace(
        right_ascension_deg=status.right_ascension_deg,
        declination_deg=status.declination_deg + 12.0,
        instant=bench.clock.now(),
    )
    await bench.guarded.compare(elsewhere, confirmed=True)
    wide = [dec for dec in range(-70, -10) if not bench.guarded.may_point(-45.0, float(dec))]
    bench.guard.detach()
    bench.guard.attach(_Ported(bench.mount), SITE, "Hoopoe")
    after = [dec for dec in range(-70, -10) if not bench.guarded.may_point(-45.0, float(dec))]
    assert after == wide


async def test_a_stop_that_is_confirmed_late_says_nothing_of_a_motion_that_was_begun_since():
    bench = Bench()
    confirms, begun = asyncio.Event(), asyncio.Event()
    bench.mount.abort = confirms.wait

    async def lost(right_ascension, declination):
        begun.set()
        await asyncio.Event().wait()

    bench.mount.slew_to = lost
    stopping = asyncio.create_task(bench.guarded.abort())
    await asyncio.sleep(0)
    bench.guarded.allow_motion()
    moving = asyncio.create_task(bench.guarded.turn_to(50.0, -70.0))
    await begun.wait()
    confirms.set()
    await stopping
    moving.cancel()
    assert bench.guarded.unfinished
    assert bench.guard.detach() is not None


# -- motors --------------------------------------------------------------------------------------


async def test_motors_do_not_turn_while_nobody_knows_whether_the_sun_is_up():
    stage = MotorStage()
    await stage.surveyed()
    doubt = Doubt(
        code="time_unknown", text="the clock was never set", consequence="the Sun is anywhere",
        remedy="Set it.", bars=Bars.ALWAYS,
    )  # fmt: skip
    stage.evening._guard.mount.take_doubts([doubt])
    refused = await stage.refused()
    assert refused.code == "place_or_time_in_doubt"
    assert stage.adjuster.commands == []


async def test_motors_below_a_mount_that_is_turned_by_hand_do_not_turn_in_doubt_or_after_a_jump():
    clock = VirtualClock()
    adjuster = MemoryAdjuster(MemoryMount(clock))
    guarded = GuardedAdjuster(adjuster, None, TERRACE, clock, SafetyLimits())
    guarded.confirm_clear()
    clock.start += timedelta(hours=3)
    with pytest.raises(SafetyError) as caught:
        await guarded.step(0.1, 0.0)
    assert caught.value.code == "clock_jumped"
    assert adjuster.commands == []


async def test_a_step_that_was_broken_off_does_not_let_a_motor_go_farther_the_other_way():
    clock = VirtualClock()
    adjuster = MemoryAdjuster(MemoryMount(clock))
    guarded = GuardedAdjuster(adjuster, None, TERRACE, clock, SafetyLimits(), total_deg=5.0)
    guarded.confirm_clear()
    adjuster.fails = DeviceError("broken off", remedy="Wait.")
    with pytest.raises(DeviceError):
        await guarded.step(5.0, 0.0)
    await guarded.abort()
    guarded.allow_motion()
    adjuster.fails = None
    await guarded.step(-4.0, 0.0)
    with pytest.raises(SafetyError) as caught:
        await guarded.step(-4.0, 0.0)
    assert caught.value.code == "adjuster_too_far"


async def test_a_late_answer_of_motors_to_a_stop_says_nothing_of_a_step_that_was_begun_since():
    clock = VirtualClock()
    adjuster = MemoryAdjuster(MemoryMount(clock), never_ends=True)
    guarded = GuardedAdjuster(adjuster, None, TERRACE, clock, SafetyLimits())
    guarded.confirm_clear()
    confirms = asyncio.Event()
    adjuster.abort = confirms.wait
    stopping = asyncio.create_task(guarded.abort())
    await asyncio.sleep(0)
    guarded.allow_motion()
    stepping = asyncio.create_task(guarded.step(0.1, 0.0))
    await adjuster.started.wait()
    confirms.set()
    await stopping
    stepping.cancel()
    await asyncio.wait({stepping})
    assert guarded.moving


async def test_what_is_about_to_move_in_the_moment_of_a_stop_does_not():
    stage = MotorStage()
    await stage.surveyed()
    mount = stage.evening._guard.mount
    mount.allow_motion()
    stage.mount.slews.clear()
    moving = asyncio.create_task(mount.turn_to(20.0, -70.0))
    await stage.evening.handle("stop", {})
    with pytest.raises(SafetyError) as caught:
        await moving
    assert caught.value.code == "stopped"
    assert stage.mount.slews == []
