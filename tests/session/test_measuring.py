"""Measuring frames: what one teaches about the optics, the next is told."""

from dataclasses import replace

import numpy as np

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
