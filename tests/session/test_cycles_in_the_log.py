"""One id runs through camera, solver, estimate and message of each frame."""

import asyncio

from polewright.adapters.mqtt.payloads import CorrectionPayload
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.logs import begin_frame, cycle, cycle_id, work_id
from tests.session.ports_in_memory import MemoryCamera, MemorySolver
from tests.session.test_adjusting import adjusting
from tests.session.test_evening import Stage


async def test_a_frame_s_mark_goes_into_threads_and_ends_with_its_work() -> None:
    seen: list[str] = []

    def in_a_thread() -> None:
        seen.append(cycle_id.get())

    async def frame(number: int) -> None:
        begin_frame(number)
        await asyncio.to_thread(in_a_thread)

    with cycle("survey-7"):
        await frame(1)
        seen.append(cycle_id.get())
        await frame(2)
        assert work_id() == "survey-7"
    assert seen == ["survey-7/1", "survey-7/1", "survey-7/2"]
    assert cycle_id.get() == ""
    begin_frame(4)
    assert cycle_id.get() == "frame/4"


class MarkedCamera(MemoryCamera):
    marks: list[str]

    async def expose(self, exposure_s: float) -> Frame:
        self.marks.append(cycle_id.get())
        return await super().expose(exposure_s)


class MarkedSolver(MemorySolver):
    async def solve(self, frame: Frame, hint: SolveHint) -> Attitude:
        self.marks.append(cycle_id.get())
        return await super().solve(frame, hint)


async def test_camera_solver_and_message_of_a_frame_bear_one_id() -> None:
    stage = Stage(solver=MarkedSolver)
    camera = MarkedCamera(stage.clock)
    camera.marks, stage.solver.marks = [], []
    stage.evening.attach(camera, stage.mount, stage.place)
    with cycle("adjust-3"):
        async with adjusting(stage) as running:
            await running.frames(4)
            told = [correction["cycle_id"] for correction, _ in running.corrections]
    taken = list(dict.fromkeys(camera.marks))
    assert taken == [f"adjust-3/{number}" for number in range(1, len(taken) + 1)]
    assert stage.solver.marks == camera.marks[: len(stage.solver.marks)]
    assert len(stage.solver.marks) >= len(told)
    assert told == taken[taken.index(told[0]) :][: len(told)]
    assert stage.publisher.last("survey")["cycle_id"] == "adjust-3"
    assert "cycle_id" in CorrectionPayload.model_fields
