"""Memory that runs out is told, and neither ends the service nor passes for a device's trouble."""

import numpy as np
import pytest

from polewright.core.errors import MeasurementError
from polewright.session.evening import Evening
from polewright.session.shortage import shortage_told
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)


class ShortSolver(MemorySolver):
    """Runs out of memory in some frames."""

    short: frozenset[int] = frozenset()
    asked = 0

    async def solve(self, frame, hint):
        self.asked += 1
        if self.asked in self.short:
            raise MemoryError
        return await super().solve(frame, hint)


def evening_with(short):
    clock, publisher = VirtualClock(), MemoryPublisher()
    mount = MemoryMount(clock, place=TERRACE, declination=-70.0)
    solver = ShortSolver(mount, np.random.default_rng(3))
    solver.short = short
    evening = Evening(solver, clock, publisher, EveningWishes())
    evening.attach(MemoryCamera(clock), mount, TERRACE)
    return evening


async def test_a_survey_that_finds_no_memory_is_blocked_with_a_remedy_and_the_next_one_succeeds():
    evening = evening_with(frozenset(range(1, 100)))
    await evening.handle("confirm_clear", {})
    with pytest.raises(MeasurementError) as caught:
        await evening.handle("survey", {})
    assert caught.value.code == "out_of_memory"
    assert evening.state["state"] == "blocked"
    assert "memory" in str(evening.state["reason"])
    assert evening.state["remedy"]
    evening._attached._solver.short = frozenset()
    result = await evening.handle("survey", {})
    assert result["frames"] >= 3
    assert evening.state["state"] == "idle"


async def test_one_frame_without_memory_costs_that_frame_only():
    evening = evening_with(frozenset({3}))
    await evening.handle("confirm_clear", {})
    result = await evening.handle("survey", {})
    assert result["frames"] >= 3


@pytest.mark.parametrize(
    "trouble", [MemoryError(), RuntimeError("can't start new thread")], ids=["memory", "thread"]
)
def test_both_ways_in_which_python_says_it_are_told(trouble):
    with pytest.raises(MeasurementError) as caught, shortage_told():
        raise trouble
    assert caught.value.code == "out_of_memory"


def test_another_bug_stays_one():
    with pytest.raises(RuntimeError, match="dictionary changed"), shortage_told():
        raise RuntimeError("dictionary changed size during iteration")
