"""A mount that says that it stands and still moves: the frames show it, and are waited for."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from polewright.core.geometry.directions import ARCMIN_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.measuring import FrameMeasurer
from polewright.session.survey import SurveyScene, SurveyWish, run_survey
from tests.session.ports_in_memory import (
    TERRACE,
    MemoryCamera,
    MemoryMount,
    MemorySolver,
    VirtualClock,
)
from tests.session.test_finding_exposure import FreeMount

# Trails begin to show where a star moves by so much in a frame (arcsec).
SEEN_ARCSEC = 20.0


@dataclass
class SwingingMount(MemoryMount):
    """After each slew the tube creeps in declination, which no encoder sees."""

    creep_arcsec: float = 0.0
    creep_s: float = 1.0
    still_since_s: float = 0.0

    def off_arcsec(self, at_s: float) -> float:
        # Every other slew from the other side: else the creep alone could look like a tilt.
        side = -1.0 if len(self.slews) % 2 else 1.0
        elapsed_s = max(0.0, at_s - self.still_since_s)
        return side * self.creep_arcsec * math.exp(-elapsed_s / self.creep_s)

    async def slew_to(self, right_ascension: float, declination: float) -> None:
        await super().slew_to(right_ascension, declination)
        self.still_since_s = self.clock.monotonic()


@dataclass
class SwingingSolver(MemorySolver):
    """Sees where the tube was in mid-exposure, and trails where it moved while exposing."""

    always_trailed: bool = False

    async def solve(self, frame: Frame, hint: SolveHint):
        assert isinstance(self.mount, SwingingMount)
        assert frame.exposure_s is not None
        middle_s = (frame.mid_exposure - self.mount.clock.start).total_seconds()
        half_s = frame.exposure_s / 2.0
        self.mount.slip_arcsec = self.mount.off_arcsec(middle_s)
        moved_arcsec = abs(
            self.mount.off_arcsec(middle_s - half_s) - self.mount.off_arcsec(middle_s + half_s)
        )
        trailed = self.always_trailed or moved_arcsec > SEEN_ARCSEC
        return replace(await super().solve(frame, hint), elongation=2.5 if trailed else 1.1)


class Scene:
    def __init__(self, *, exposure_s: float, always_trailed: bool = False, **of_mount) -> None:
        clock = VirtualClock()
        head = rotation_about(np.array([1.0, 0.0, 0.0]), 30.0 * ARCMIN_RAD)
        self.mount = SwingingMount(clock, head=head, **of_mount)
        self.camera = MemoryCamera(clock)
        solver = SwingingSolver(self.mount, np.random.default_rng(3), always_trailed=always_trailed)
        watched = WatchedCamera(self.camera)
        self.scene = SurveyScene(
            mount=FreeMount(self.mount),  # type: ignore[arg-type]
            measurer=FrameMeasurer(watched, solver, TERRACE, clock, SolveHint()),
            place=TERRACE,
            clock=clock,
            wish=SurveyWish(exposure_s=exposure_s, frames=3, settle_s=0.0),
            progress=lambda step, frames, percent: None,
            exposures=ExposureFinder(watched),
        )

    async def error_arcsec(self) -> float:
        outcome = await run_survey(self.scene)
        true_axis = self.mount.true_axis_enu()
        return angle_between(outcome.estimate.axis_enu, true_axis) / ARCMIN_RAD * 60.0


async def test_looks_that_cost_little_are_doubled_and_a_creep_without_trails_is_waited_out():
    """At 0.3 s the creep leaves no trails, and the last arcmin of it would spoil the survey."""
    scene = Scene(exposure_s=0.3, creep_arcsec=50.0, creep_s=0.7)
    assert await scene.error_arcsec() < 25.0
    assert scene.camera.frames > 6


async def test_looks_of_a_camera_with_a_long_download_are_not_doubled():
    scene = Scene(exposure_s=0.3)
    expose = scene.camera.expose

    async def slow(exposure_s: float) -> Frame:
        frame = await expose(exposure_s)
        await scene.camera.clock.sleep(20.0)
        return frame

    scene.camera.expose = slow  # type: ignore[method-assign]
    assert await scene.error_arcsec() < 25.0
    assert scene.camera.frames == 3


async def test_after_trails_two_looks_must_agree():
    """The third frame has no trails any more, and is still 19 arcsec off."""
    scene = Scene(exposure_s=1.0, creep_arcsec=150.0, creep_s=1.2)
    assert await scene.error_arcsec() < 25.0
    assert scene.camera.frames > 6


async def test_a_mount_that_stands_costs_one_frame_at_each_place():
    scene = Scene(exposure_s=1.0)
    assert await scene.error_arcsec() < 25.0
    assert scene.camera.frames == 3


async def test_trails_that_do_not_come_from_settling_cost_one_more_frame_at_each_place():
    scene = Scene(exposure_s=1.0, always_trailed=True)
    assert await scene.error_arcsec() < 25.0
    assert scene.camera.frames == 6


async def test_a_mount_that_never_comes_to_rest_is_not_waited_for_without_end():
    scene = Scene(exposure_s=0.5, creep_arcsec=36_000.0, creep_s=100.0)
    with pytest.raises(Exception, match=r"frame|declination|axis"):
        await scene.error_arcsec()
    assert scene.camera.frames <= 6 * 8
