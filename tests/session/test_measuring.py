"""Measuring frames: what one teaches about the optics, the next is told."""

from dataclasses import replace

import numpy as np
import pytest

from polewright.core.errors import DeviceError
from polewright.core.imaging.attitude import SolveHint
from polewright.session.measuring import FrameMeasurer
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemorySolver,
    VirtualClock,
)


class BendingSolver(MemorySolver):
    """Answers with this radial term and at most so many stars."""

    radial = 0.003
    stars = 60

    async def solve(self, frame, hint):
        answer = await super().solve(frame, hint)
        names = ("star_icrs", "star_tangent", "star_sigma_px", "star_px")
        fewer = {name: getattr(answer, name)[: self.stars] for name in names}
        return replace(answer, radial=self.radial, **fewer)


async def test_the_lens_is_learned_from_rich_frames_and_told_to_sparse_ones():
    clock = VirtualClock()
    solver = BendingSolver(MemoryMount(clock), np.random.default_rng(1))
    measurer = FrameMeasurer(
        MemoryCamera(clock), solver, TERRACE, clock, SolveHint(scale_arcsec_px=6.4)
    )
    solver.stars, solver.radial = 12, 0.009
    await measurer.measure(1.0)
    assert measurer.hint.radial == 0.0
    solver.stars, solver.radial = 60, 0.003
    await measurer.measure(1.0)
    solver.stars, solver.radial = 12, 0.009
    await measurer.measure(1.0)
    assert [hint.radial for hint in solver.hints] == [0.0, 0.0, 0.003]
    assert measurer.hint.radial == 0.003


class LosingCamera(MemoryCamera):
    """Its driver loses the frames of these numbers."""

    lost = ()
    tries = 0

    async def expose(self, exposure_s):
        self.tries += 1
        if self.tries in self.lost:
            await self.clock.sleep(exposure_s + 5.0)
            raise DeviceError("Hoopoe delivered no frame", remedy="See its cable.", code="no_frame")
        return await super().expose(exposure_s)


@pytest.mark.parametrize(
    ("lost", "tries"), [((2,), 3), ((2, 3), None), ((1,), None)], ids=["one", "two", "first"]
)
async def test_a_frame_that_was_lost_is_exposed_once_more(
    lost: tuple[int, ...], tries: int | None
) -> None:
    clock = VirtualClock()
    camera = LosingCamera(clock)
    camera.lost = lost
    solver = MemorySolver(MemoryMount(clock), np.random.default_rng(1))
    measurer = FrameMeasurer(camera, solver, TERRACE, clock, SolveHint(scale_arcsec_px=6.4))

    async def two() -> None:
        await measurer.measure(1.0)
        await measurer.measure(1.0)

    if tries is None:
        with pytest.raises(DeviceError, match="no frame"):
            await two()
        assert camera.tries == max(lost)
    else:
        await two()
        assert camera.tries == tries
