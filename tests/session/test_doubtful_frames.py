"""Rolls that cannot be trusted, and a tube that goes over the pier, in surveys as they are run."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import rotation_about
from polewright.ports import PierSide
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.test_evening import Stage, TurnedByHand, _bolts

X, Y, Z = np.eye(3)
# What cone and declination's zero point move where the tube is beyond the pole.
CONE = rotation_about(Z, 60.0 * ARCSEC_RAD) @ rotation_about(Y, 60.0 * ARCSEC_RAD)
WISHES = EveningWishes(survey=SurveyWish(frames=6, sweep_deg=80.0, settle_s=0.5))


def rolling(stage: Stage, roll_of) -> None:
    """Let the picture roll by the place in the sky at which the camera stands."""
    look = stage.mount.camera_enu
    stage.mount.camera_enu = lambda: look() @ rotation_about(X, roll_of(stage.mount.hour_angle))


def flipping(stage: Stage, beyond_deg: float, *, tells: bool) -> None:
    """Let the tube go over the pier where it points farther west than this."""
    look, status = stage.mount.camera_enu, stage.mount.status

    def beyond() -> bool:
        return stage.mount.hour_angle > beyond_deg

    def turned_over():
        return look() @ rotation_about(X, math.pi) @ CONE if beyond() else look()

    async def sided():
        side = PierSide.EAST if beyond() else PierSide.WEST
        return replace(await status(), pier_side=side if tells else PierSide.UNKNOWN)

    stage.mount.camera_enu, stage.mount.status = turned_over, sided


def is_true(stage: Stage, result: dict) -> bool:
    error = result["total_error_arcmin"] - stage.true_total_arcmin()
    return abs(error) < 4.0 * result["total_error_sigma_arcmin"]


@pytest.mark.parametrize("seed", range(4))
async def test_an_axis_turned_by_hand_under_a_rotator_is_surveyed_by_directions_alone(seed):
    rng = np.random.default_rng(seed)
    rolls: dict[int, float] = {}
    stage = TurnedByHand(declination=-30.0, step_deg=15.0, wishes=WISHES)
    rolling(stage, lambda hour: rolls.setdefault(round(hour), float(rng.uniform(-1.0, 1.0))))
    result = await stage.evening.handle("survey", {"by_hand": True})
    assert result["roll_used"] is False
    assert is_true(stage, result)
    gained = result["further_frame_sigma_arcmin"]
    assert gained < 0.99 * result["total_error_sigma_arcmin"]


async def test_a_roll_that_drifts_does_not_end_a_survey_by_hand():
    stage = TurnedByHand(declination=-30.0, step_deg=15.0, wishes=WISHES)
    rolling(stage, lambda hour: math.radians(0.1 * hour))
    result = await stage.evening.handle("survey", {"by_hand": True})
    assert result["roll_used"] is False
    assert is_true(stage, result)


async def test_what_moved_by_hand_is_named_once_there_are_places_enough():
    stage = TurnedByHand(stops=12, step_deg=12.0, wishes=WISHES)
    look = stage.mount.camera_enu

    def slipping():
        slip = 600.0 if stage.mount.hour_angle > 0.0 else 0.0
        return look() @ rotation_about(Y, slip * ARCSEC_RAD)

    stage.mount.camera_enu = slipping
    told = []
    with pytest.raises(MeasurementError) as caught:
        await stage.evening.handle("survey", {"by_hand": True, "wish_arcsec": 0.01}, told.append)
    assert caught.value.code in {"declination_moved", "frames_disagree", "tripod_moved"}
    assert any("the frames disagree: turn on" in message["step"] for message in told)


@pytest.mark.parametrize("tells", [True, False], ids=["told", "silent"])
async def test_a_tube_that_goes_over_the_pier_is_named_and_nothing_is_answered(tells):
    wishes = replace(WISHES, survey=replace(WISHES.survey, hour_angle_max_deg=62.0))
    stage = Stage(head=_bolts(20.0, 10.0), hour_angle=5.0, declination=-40.0, wishes=wishes)
    flipping(stage, 50.0, tells=tells)
    await stage.evening.handle("confirm_clear", {})
    with pytest.raises(MeasurementError, match="other side of the pier") as caught:
        await stage.evening.handle("survey", {"wish_arcsec": 0.5})
    assert caught.value.code == "other_pier_side"
    assert "one side of the meridian" in caught.value.remedy


@pytest.mark.parametrize("tells", [True, False], ids=["told", "silent"])
async def test_frames_since_a_tube_went_over_the_pier_answer_where_they_are_enough(tells):
    stage = Stage(head=_bolts(20.0, 10.0), hour_angle=5.0, declination=-40.0, wishes=WISHES)
    flipping(stage, 15.0, tells=tells)
    await stage.evening.handle("confirm_clear", {})
    result = await stage.evening.handle("survey", {"wish_arcsec": 0.5})
    assert is_true(stage, result)
    assert result["roll_used"] is True
    event = stage.publisher.last("event")
    assert event["code"] == "other_pier_side"
    assert "do not count" in event["text"]
    # It stays on the side where its answer holds, and that side is kept.
    assert stage.mount.hour_angle > 15.0
    side = PierSide.EAST if tells else PierSide.UNKNOWN
    assert stage.evening._memory.standing.pier_side is side


async def test_a_tube_over_the_pier_in_a_survey_by_hand_costs_only_the_frames_before():
    stage = TurnedByHand(declination=-30.0, step_deg=12.0, stops=10, wishes=WISHES)
    flipping(stage, -50.0, tells=False)
    told = []
    result = await stage.evening.handle("survey", {"by_hand": True}, told.append)
    assert is_true(stage, result)
    assert any("do not count" in message["step"] for message in told)
