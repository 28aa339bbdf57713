"""The motors' interlocks refuse what could hurt, and nothing gets round them."""

import asyncio
import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.errors import DeviceError, PolewrightError, SafetyError
from polewright.session.limits import SafetyLimits
from polewright.session.safe_adjuster import GuardedAdjuster
from polewright.session.safety import GuardedMount
from tests.session.motors_in_memory import MemoryAdjuster
from tests.session.ports_in_memory import NIGHT, TERRACE, MemoryMount, VirtualClock

NOON = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def guarded(*, when=NIGHT, clear=True, total_deg=5.0):
    clock = VirtualClock(when)
    mount = MemoryMount(clock)
    inner = MemoryAdjuster(mount)
    guard = GuardedMount(mount, TERRACE, clock, SafetyLimits(), camera="Hoopoe")
    adjuster = GuardedAdjuster(inner, guard, TERRACE, clock, SafetyLimits(), total_deg=total_deg)
    if clear:
        guard.confirm_clear()
        adjuster.confirm_clear()
    return adjuster, inner, guard


async def refusal(adjuster, azimuth_deg=0.1, altitude_deg=0.0):
    with pytest.raises(SafetyError) as caught:
        await adjuster.step(azimuth_deg, altitude_deg)
    return caught.value.code


async def test_a_safe_step_is_made():
    adjuster, inner, _ = guarded()
    await adjuster.step(0.1, -0.2)
    assert inner.commands == [(0.1, -0.2)]
    assert not adjuster.moving


async def test_nothing_moves_without_the_persons_word():
    adjuster, inner, guard = guarded(clear=False)
    assert await refusal(adjuster) == "not_confirmed_clear"
    guard.confirm_clear()
    assert await refusal(adjuster) == "not_confirmed_clear"
    assert inner.commands == []


async def test_nothing_moves_by_day_unless_the_camera_has_a_solar_filter():
    adjuster, inner, guard = guarded(when=NOON)
    assert await refusal(adjuster) == "sun"
    assert inner.commands == []
    guard.confirm_solar_filter("Hoopoe")
    await adjuster.step(0.1, 0.0)
    assert inner.commands == [(0.1, 0.0)]


async def test_the_head_is_not_moved_below_a_mount_that_slews():
    adjuster, inner, _ = guarded()
    mount = inner.mount
    status = mount.status

    async def slewing():
        return replace(await status(), slewing=True)

    mount.status = slewing
    assert await refusal(adjuster) == "mount_slewing"
    assert inner.commands == []


async def test_after_a_stop_nothing_moves_until_a_new_command():
    adjuster, inner, _ = guarded()
    await adjuster.abort()
    assert inner.aborted == 1
    assert await refusal(adjuster) == "stopped"
    adjuster.allow_motion()
    await adjuster.step(0.1, 0.0)
    assert len(inner.commands) == 1


async def test_an_abort_is_never_refused():
    adjuster, inner, _ = guarded(clear=False, when=NOON)
    await adjuster.abort()
    assert inner.aborted == 1


async def test_two_commands_at_once_are_one_too_many():
    adjuster, inner, _ = guarded()
    inner.never_ends = True
    async with asyncio.TaskGroup() as tasks:
        first = tasks.create_task(adjuster.step(0.1, 0.0))
        await inner.started.wait()
        assert adjuster.moving
        assert await refusal(adjuster) == "already_moving"
        first.cancel()
    assert len(inner.commands) == 1


async def test_a_step_whose_end_nobody_saw_may_still_go_on():
    adjuster, inner, _ = guarded()
    inner.fails = DeviceError("silent", remedy="")
    with pytest.raises(DeviceError):
        await adjuster.step(0.1, 0.0)
    assert adjuster.moving
    await adjuster.abort()
    assert not adjuster.moving


async def test_the_way_is_counted_from_the_persons_word():
    adjuster, inner, _ = guarded(total_deg=1.0)
    await adjuster.step(0.8, 0.0)
    assert await refusal(adjuster, 0.3) == "adjuster_too_far"
    await adjuster.step(-0.5, 0.9)
    assert await refusal(adjuster, 0.0, 0.2) == "adjuster_too_far"
    adjuster.confirm_clear()
    await adjuster.step(0.0, 0.2)
    assert len(inner.commands) == 3


@given(
    commands=st.lists(
        st.tuples(
            st.one_of(st.floats(-3, 3), st.just(math.nan), st.just(math.inf)),
            st.one_of(st.floats(-3, 3), st.just(math.nan)),
            st.sampled_from(["", "stop", "confirm", "allow"]),
        ),
        min_size=1,
        max_size=12,
    )
)
@settings(max_examples=150, deadline=None)
def test_no_sequence_of_commands_takes_a_motor_too_far(commands):
    adjuster, inner, guard = guarded(clear=False, total_deg=2.0)

    async def play():
        told, stopped, begin = False, False, 0
        for azimuth, altitude, other in commands:
            if other == "stop":
                await adjuster.abort()
                stopped = True
            elif other == "allow":
                adjuster.allow_motion()
                stopped = False
            elif other == "confirm":
                guard.confirm_clear()
                adjuster.confirm_clear()
                told, begin = True, len(inner.commands)
            before = len(inner.commands)
            try:
                await adjuster.step(azimuth, altitude)
            except PolewrightError:
                assert len(inner.commands) == before
                continue
            assert told
            assert not stopped
            for motor in range(2):
                way = sum(command[motor] for command in inner.commands[begin:])
                assert abs(way) <= 2.0 + 1e-9

    asyncio.run(play())
