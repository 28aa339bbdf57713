"""The exposure is found on the sky; after frames that failed the mount goes back."""

from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from polewright.core.errors import DeviceError, MeasurementError
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.measuring import FrameMeasurer
from polewright.session.survey import Progress, SurveyScene, SurveyWish, run_survey
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemorySolver,
    VirtualClock,
)


@dataclass
class ScarceCamera(MemoryCamera):
    """A sky of this brightness (share of the range per second); remembers its exposures."""

    sky_s: float = 0.01
    taken_s: list[float] = field(default_factory=list)

    async def expose(self, exposure_s: float) -> Frame:
        self.taken_s.append(exposure_s)
        frame = await super().expose(exposure_s)
        level = min(65535, round(65535 * self.sky_s * exposure_s))
        noise = np.random.default_rng(len(self.taken_s)).integers(-9, 10, frame.pixels.shape)
        pixels = np.clip(level + noise, 0, 65535).astype(np.uint16)
        return replace(frame, pixels=pixels, saturation=65535.0)


@dataclass
class ScarceSolver(MemorySolver):
    """Solves only frames that were exposed long enough, under a sky that is not too bright."""

    needed_s: float = 0.0

    async def solve(self, frame: Frame, hint: SolveHint):
        if frame.exposure_s < self.needed_s or frame.pixels.mean() > 0.9 * 65535:
            raise MeasurementError("no stars", remedy="Wait.", code="too_few_stars")
        return await super().solve(frame, hint)


class Scene:
    def __init__(self, *, needed_s: float = 0.0, sky_s: float = 0.01) -> None:
        self.clock = VirtualClock()
        self.mount = MemoryMount(self.clock)
        self.camera = ScarceCamera(self.clock, sky_s=sky_s)
        solver = ScarceSolver(self.mount, np.random.default_rng(1), needed_s=needed_s)
        self.solver = solver
        watched = WatchedCamera(self.camera)
        self.finder = ExposureFinder(watched)
        self.measurer = FrameMeasurer(watched, solver, TERRACE, self.clock, SolveHint())


async def test_under_a_dark_sky_it_exposes_longer_until_frames_solve():
    scene = Scene(needed_s=3.0)
    found = await scene.finder.find(scene.measurer)
    assert scene.camera.taken_s == [1.0, 4.0]
    assert found.exposure_s == 4.0


async def test_at_dusk_it_exposes_shorter():
    """The sky fills the sensor in 0.6 s."""
    scene = Scene(sky_s=1.6)
    found = await scene.finder.find(scene.measurer)
    assert found.exposure_s < 0.4
    assert scene.camera.taken_s == sorted(scene.camera.taken_s, reverse=True)


async def test_it_begins_with_what_served_before():
    scene = Scene(needed_s=3.0)
    await scene.finder.find(scene.measurer)
    await scene.finder.find(scene.measurer)
    assert scene.camera.taken_s == [1.0, 4.0, 4.0]


async def test_under_clouds_it_ends_after_a_few_frames_with_their_failure():
    scene = Scene(needed_s=1000.0)
    with pytest.raises(MeasurementError) as caught:
        await scene.finder.find(scene.measurer)
    assert caught.value.code == "too_few_stars"
    assert scene.camera.taken_s == [1.0, 4.0, 8.0]


class FreeMount:
    """What a survey needs of a guarded mount, without its limits."""

    name = "Kudu"

    def __init__(self, mount: MemoryMount) -> None:
        self._mount = mount
        self.fails_after = 1000

    def require_clear(self) -> None:
        return None

    def may_point(self, hour_angle: float, declination: float) -> bool:
        return True

    async def status(self):
        return await self._mount.status()

    async def turn_to(self, hour_angle: float, declination: float) -> None:
        if len(self._mount.slews) >= self.fails_after:
            raise DeviceError("stalled", remedy="Look.", code="device_refused")
        right_ascension = right_ascension_deg(hour_angle, self._mount.clock.now(), TERRACE)
        await self._mount.slew_to(right_ascension, declination)

    def halt(self) -> None:
        return None

    async def abort(self) -> None:
        await self._mount.abort()


def _silent(step: str, frames: int, percent: int) -> None:
    """Show nothing."""


def survey_of(
    scene: Scene,
    mount: FreeMount,
    *,
    wish: SurveyWish | None = None,
    progress: Progress = _silent,
) -> SurveyScene:
    return SurveyScene(
        mount=mount,  # type: ignore[arg-type]
        measurer=scene.measurer,
        place=TERRACE,
        clock=scene.clock,
        wish=wish or SurveyWish(exposure_s=None),
        progress=progress,
        exposures=scene.finder,
    )


async def test_a_survey_finds_its_exposure_once_and_ends_where_it_started():
    scene = Scene(needed_s=3.0)
    await run_survey(survey_of(scene, FreeMount(scene.mount)))
    assert scene.camera.taken_s[:2] == [1.0, 4.0]
    assert set(scene.camera.taken_s[1:]) == {4.0}
    assert scene.mount.hour_angle == pytest.approx(30.0, abs=0.01)


async def test_after_frames_that_failed_the_mount_goes_back():
    scene = Scene(needed_s=1000.0)
    scene.mount.hour_angle = 1.0
    with pytest.raises(MeasurementError):
        await run_survey(survey_of(scene, FreeMount(scene.mount)))
    assert len(scene.mount.slews) == 2
    assert scene.mount.hour_angle == pytest.approx(1.0, abs=0.05)


async def test_under_a_cap_the_range_of_exposures_is_gone_through_once_only():
    scene = Scene(needed_s=1000.0)
    with pytest.raises(MeasurementError):
        await run_survey(survey_of(scene, FreeMount(scene.mount)))
    assert scene.camera.taken_s == [1.0, 4.0, 8.0]
