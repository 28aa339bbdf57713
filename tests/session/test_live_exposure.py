"""Live frames become longer when stars become few, and short again when they are back."""

from dataclasses import dataclass, field, replace

import pytest

from polewright.core.errors import MeasurementError
from polewright.core.imaging.exposing import next_live_exposure_s
from polewright.core.imaging.frame import Frame
from polewright.session.exposing import LIVE_LONGEST_S, LiveExposure
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import MemorySolver
from tests.session.test_adjusting import adjusting
from tests.session.test_evening import Stage, _bolts


@dataclass
class DimmingSolver(MemorySolver):
    """Shows so many stars per second of exposure to the power of 0.6; none under three."""

    stars_at_1_s: float = 100.0
    exposures_s: list[float] = field(default_factory=list)

    async def solve(self, frame: Frame, hint):
        assert frame.exposure_s is not None
        self.exposures_s.append(frame.exposure_s)
        stars = round(self.stars_at_1_s * frame.exposure_s**0.6)
        if stars < 4:
            raise MeasurementError("too few stars", remedy="Wait.", code="too_few_stars")
        attitude = await super().solve(frame, hint)
        return replace(
            attitude,
            star_icrs=attitude.star_icrs[:stars],
            star_tangent=attitude.star_tangent[:stars],
            star_sigma_px=attitude.star_sigma_px[:stars],
            star_px=attitude.star_px[:stars],
        )


def stage_with(exposure_s: float | None, live_exposure_s: float | None) -> Stage:
    wishes = EveningWishes(
        survey=SurveyWish(frames=3, exposure_s=exposure_s), live_exposure_s=live_exposure_s
    )
    return Stage(wishes=wishes, head=_bolts(20.0, 10.0), solver=DimmingSolver)


@pytest.mark.parametrize("exposure_s", [None, 3.0])
async def test_thin_clouds_lengthen_live_frames_up_to_the_setting_and_no_longer(exposure_s):
    stage = stage_with(exposure_s, None if exposure_s is None else 0.5)
    solver = stage.solver
    async with adjusting(stage) as live:
        await live.frames(3)
        short_s = solver.exposures_s[-1]
        assert short_s <= 0.5
        solver.stars_at_1_s = 3.0
        await live.frames(6)
        longest_s = exposure_s or LIVE_LONGEST_S
        assert max(solver.exposures_s[-3:]) == longest_s
        # Corrections go on: seven stars at 4 s.
        assert live.newest["sequence"] >= 9
        solver.stars_at_1_s = 100.0
        await live.frames(8)
        assert solver.exposures_s[-1] == pytest.approx(short_s)


async def test_an_exposure_that_was_asked_for_is_kept():
    stage = stage_with(None, None)
    async with adjusting(stage, exposure_s=0.7) as live:
        stage.solver.stars_at_1_s = 8.0
        await live.frames(5)
        assert set(stage.solver.exposures_s[-5:]) == {0.7}


def test_hands_that_trail_the_stars_do_not_lengthen_frames_at_once():
    """Three frames in a row without a solution may be a cloud; two are a turn of the bolt."""
    exposure = LiveExposure(0.5, longest_s=4.0)
    unsolved = MeasurementError("no solution", remedy="", code="no_solution")
    exposure.failed(unsolved)
    exposure.failed(unsolved)
    assert exposure.exposure_s == 0.5
    exposure.failed(unsolved)
    assert exposure.exposure_s == 1.0


def test_what_says_nothing_of_stars_changes_no_exposure():
    exposure = LiveExposure(0.5, longest_s=4.0)
    for _ in range(5):
        exposure.failed(MeasurementError("other", remedy="", code="optics_changed"))
    assert exposure.exposure_s == 0.5


@pytest.mark.parametrize("matched", range(0, 60, 3))
def test_the_next_live_exposure_does_not_swing(matched):
    """Stars in number as time to the power of 0.6: what follows is not undone by the one after."""
    bounds = {"shortest_s": 0.1, "longest_s": 8.0}
    first_s = next_live_exposure_s(1.0, matched, **bounds)
    then = matched * first_s**0.6
    second_s = next_live_exposure_s(first_s, round(then), **bounds)
    assert (first_s - 1.0) * (second_s - first_s) >= 0.0
