"""A mount that fails in a survey: the frames so far answer, where they can; nothing moves on."""

from dataclasses import replace

import numpy as np
import pytest

from polewright.core.errors import DeviceError
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import rotation_about
from polewright.session.phases import Phase
from polewright.session.survey import SurveyOutcome, SurveyWish, run_survey
from polewright.session.wishes import EveningWishes
from tests.session.test_evening import Stage
from tests.session.test_finding_exposure import FreeMount, Scene, survey_of

HARD = SurveyWish(frames=6, sweep_deg=80.0, wish_arcsec=0.5, exposure_s=1.0)
MANY = replace(HARD, frames=8)


async def surveyed(
    scene: Scene, *, fails_after: int, wish: SurveyWish = HARD
) -> tuple[SurveyOutcome, list[str]]:
    """Survey with a mount that refuses after so many go-tos; return also what was told."""
    told: list[str] = []
    mount = FreeMount(scene.mount)
    mount.fails_after = fails_after
    outcome = await run_survey(
        survey_of(scene, mount, wish=wish, progress=lambda step, frames, percent: told.append(step))
    )
    return outcome, told


async def test_after_too_few_frames_a_mount_that_fails_ends_the_survey_and_moves_no_more():
    scene = Scene()
    with pytest.raises(DeviceError) as caught:
        await surveyed(scene, fails_after=2)
    assert caught.value.code == "device_refused"
    assert len(scene.mount.slews) == 2
    assert scene.mount.aborted == 1


def on_a_rotator() -> Scene:
    """Its roll is anything, so that a survey takes many places."""
    scene = Scene()
    scene.mount.declination = -30.0
    look = scene.mount.camera_enu
    rng = np.random.default_rng(2)

    def rolled() -> np.ndarray:
        return look() @ rotation_about(np.array([1.0, 0.0, 0.0]), rng.uniform(-1.0, 1.0))

    scene.mount.camera_enu = rolled  # type: ignore[method-assign]
    return scene


async def test_frames_that_are_enough_answer_with_their_own_sigma_when_the_mount_refuses():
    whole = on_a_rotator()
    aim, _ = await surveyed(whole, fails_after=1000, wish=MANY)
    scene = on_a_rotator()
    # All but the last place, and the way back.
    outcome, told = await surveyed(scene, fails_after=len(whole.mount.slews) - 2, wish=MANY)
    estimate = outcome.estimate
    assert angle_between(estimate.axis_enu, scene.mount.true_axis_enu()) < 4.0 * estimate.sigma_rad
    assert len(estimate.turn_angles_rad) < len(aim.estimate.turn_angles_rad)
    assert estimate.sigma_rad > aim.estimate.sigma_rad
    assert outcome.cut_short is not None
    assert outcome.cut_short.code == "device_refused"
    assert any("stalled" in step and "frames so far" in step for step in told)
    assert len(scene.mount.slews) == len(whole.mount.slews) - 2
    assert scene.mount.aborted == 1


async def test_frames_that_disagree_do_not_answer_for_a_mount_that_refused():
    scene = Scene()
    solve = scene.solver.solve

    async def slipping(frame, hint):
        scene.mount.slip_arcsec = 600.0 * (len(scene.mount.slews) % 2)
        return await solve(frame, hint)

    scene.solver.solve = slipping  # type: ignore[method-assign]
    with pytest.raises(DeviceError, match="stalled"):
        await surveyed(scene, fails_after=3)


async def test_a_mount_that_only_refuses_to_go_back_costs_nothing_of_what_was_measured():
    scene = Scene()
    wish = SurveyWish(frames=3, exposure_s=1.0, wish_arcsec=60.0)
    whole, _ = await surveyed(Scene(), fails_after=1000, wish=wish)
    outcome, _ = await surveyed(scene, fails_after=3, wish=wish)
    assert outcome.cut_short is not None
    assert outcome.estimate.sigma_rad == pytest.approx(whole.estimate.sigma_rad, rel=0.2)
    assert scene.mount.aborted == 1
    assert len(scene.mount.slews) == 3


async def test_directions_alone_are_not_asked_for_an_axis_before_there_are_three_places():
    """The plan repeats frames at its ends: three frames may be two places."""
    scene = Scene()
    wish = replace(HARD, use_roll=False)
    outcome, _ = await surveyed(scene, fails_after=1000, wish=wish)
    assert not outcome.estimate.roll_used
    error = angle_between(outcome.estimate.axis_enu, scene.mount.true_axis_enu())
    assert error < 4.0 * outcome.estimate.sigma_rad


async def test_the_evening_tells_of_a_survey_that_was_cut_short_and_keeps_its_answer():
    stage = Stage(wishes=EveningWishes(survey=SurveyWish(frames=3, wish_arcsec=60.0)))
    slew_to = stage.mount.slew_to

    async def refusing(right_ascension, declination):
        if len(stage.mount.slews) == 3:
            raise DeviceError("Kudu stalled", remedy="Look at it.", code="device_refused")
        await slew_to(right_ascension, declination)

    stage.mount.slew_to = refusing  # type: ignore[method-assign]
    result = await stage.surveyed()
    assert result["frames"] == 3
    assert stage.evening.phase is Phase.IDLE
    event = next(payload for topic, payload, _ in stage.publisher.messages if topic == "event")
    assert event["code"] == "survey_cut_short"
    assert "Kudu stalled" in event["text"]
    assert "3 frames" in event["text"]
    assert event["remedy"] == "Look at it."
