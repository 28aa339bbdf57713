"""Adjusting by motors over in-memory ports: to the pole, refusals, stops, interlocks."""

import asyncio
import math

import numpy as np
import pytest

from polewright.core.errors import DeviceError, PolewrightError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, unit
from polewright.core.geometry.rotations import rotation_about
from polewright.session.motor_adjustment import MotorWish
from polewright.session.phases import Phase
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.motors_in_memory import MemoryAdjuster, MemoryMotor
from tests.session.ports_in_memory import TERRACE, YARD
from tests.session.test_evening import Stage

UP = np.array([0.0, 0.0, 1.0])


class MotorStage(Stage):
    """A stage whose mount head stands on a motorised adjuster."""

    def __init__(self, place=TERRACE, *, azimuth_arcmin=100.0, altitude_arcmin=-80.0,
                 tolerance_arcsec=20.0, motors=None, **of_adjuster):  # fmt: skip
        head = rotation_about(UP, -azimuth_arcmin * ARCMIN_RAD) @ rotation_about(
            np.array([1.0, 0.0, 0.0]), altitude_arcmin * ARCMIN_RAD
        )
        wishes = EveningWishes(
            survey=SurveyWish(frames=4, sweep_deg=60.0, settle_s=0.5),
            tolerance_arcsec=tolerance_arcsec,
            motors=motors or MotorWish(),
        )
        super().__init__(place, wishes=wishes, head=head)
        self.adjuster = MemoryAdjuster(self.mount, **of_adjuster)
        self.evening.attach(self.camera, self.mount, place, adjuster=self.adjuster)
        self.told = []

    async def adjusted(self, **arguments) -> dict:
        return await self.evening.handle("adjust", {"motors": True} | arguments, self.told.append)

    async def refused(self, **arguments) -> PolewrightError:
        with pytest.raises(PolewrightError) as caught:
            await self.adjusted(**arguments)
        return caught.value


def awkward():
    """Signs reversed, scales off by a tenth, play of 3 arcmin, base leaning by 2 deg."""
    lean = math.tan(math.radians(2.0))
    return {
        "azimuth": MemoryMotor(scale=-1.1, play_arcmin=3.0),
        "altitude": MemoryMotor(scale=-0.9, play_arcmin=3.0),
        "vertical": tuple(unit(np.array([0.8 * lean, -0.6 * lean, 1.0]))),
    }


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
async def test_awkward_motors_bring_the_axis_to_the_pole_without_hands(place):
    stage = MotorStage(place, **awkward())
    await stage.surveyed()
    started = stage.true_total_arcmin()
    result = await stage.adjusted()
    assert started > 90.0
    assert result["verdict"] == "good_enough"
    assert result["motor_steps"] == len(stage.adjuster.commands) <= 8
    assert stage.true_total_arcmin() * 60.0 < 10.0
    assert stage.evening.phase is Phase.IDLE


async def test_a_mount_without_goto_is_adjusted_without_a_second_survey():
    stage = MotorStage(motors=MotorWish(survey_again=False), tolerance_arcsec=40.0, **awkward())
    await stage.surveyed()
    slews = len(stage.mount.slews)
    result = await stage.adjusted()
    assert result["verdict"] == "good_enough"
    assert len(stage.mount.slews) == slews
    assert stage.true_total_arcmin() * 60.0 < 20.0


async def test_every_frame_is_told_and_every_step_is_said():
    stage = MotorStage(**awkward())
    await stage.surveyed()
    result = await stage.adjusted()
    steps = [m["step"] for m in stage.told if str(m.get("step", "")).startswith("step ")]
    assert len({step.split(":")[0] for step in steps}) == result["motor_steps"]
    assert any("learning: azimuth motor" in step for step in steps)
    assert any("azimuth motor" in step and "altitude motor" in step for step in steps)
    assert sum("correction" in message for message in stage.told) > 3 * result["motor_steps"]


async def test_steps_never_exceed_what_the_device_takes_at_once():
    stage = MotorStage(azimuth_arcmin=60.0, altitude_arcmin=-40.0, largest_step_deg=(0.5, 0.4))
    await stage.surveyed()
    result = await stage.adjusted()
    assert result["verdict"] == "good_enough"
    assert max(abs(azimuth) for azimuth, _ in stage.adjuster.commands) <= 0.5
    assert max(abs(altitude) for _, altitude in stage.adjuster.commands) <= 0.4


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ({"azimuth": MemoryMotor(stuck=True)}, "motor_stuck"),
        ({"altitude": MemoryMotor(stuck=True)}, "motor_stuck"),
        ({"exchanged": True}, "wrong_motor"),
        ({"azimuth": MemoryMotor(scale=5.0)}, "response_too_large"),
        ({"altitude": MemoryMotor(scale=-0.15)}, "response_too_small"),
    ],
    ids=lambda value: value if isinstance(value, str) else next(iter(value)),
)
async def test_a_wrong_response_ends_it_with_what_was_seen(fault, code):
    stage = MotorStage(**fault)
    await stage.surveyed()
    refused = await stage.refused()
    assert isinstance(refused, DeviceError)
    assert refused.code == code
    assert refused.remedy.startswith("The motors stand.")
    assert stage.evening.phase is Phase.BLOCKED
    assert len(stage.adjuster.commands) <= 6
    assert all(
        message["verdict"] != "good_enough"
        for topic, message, _ in stage.publisher.messages
        if topic == "correction"
    )


async def test_a_motor_that_turns_round_ends_it():
    stage = MotorStage()
    await stage.surveyed()
    step = stage.adjuster.step

    async def turning_round(azimuth_deg, altitude_deg):
        if len(stage.adjuster.commands) == 2:
            stage.adjuster.azimuth.scale *= -1.0
            stage.adjuster.altitude.scale *= -1.0
        await step(azimuth_deg, altitude_deg)

    stage.adjuster.step = turning_round
    refused = await stage.refused()
    assert refused.code == "opposite_motion"
    assert len(stage.adjuster.commands) == 3


async def test_somebody_who_moves_the_mount_meanwhile_ends_it():
    stage = MotorStage()
    await stage.surveyed()
    step = stage.adjuster.step

    async def bumped(azimuth_deg, altitude_deg):
        await step(azimuth_deg, altitude_deg)
        if len(stage.adjuster.commands) == 3:
            stage.adjuster.turn(math.radians(1.5), 0.0)

    stage.adjuster.step = bumped
    assert (await stage.refused()).code == "unexpected_response"


async def test_an_alert_of_the_adjuster_ends_it_in_its_own_words():
    alert = DeviceError("too hot", remedy="Let it cool.", code="device_refused")
    stage = MotorStage(fails=alert)
    await stage.surveyed()
    assert await stage.refused() is alert
    assert stage.evening.phase is Phase.BLOCKED
    assert len(stage.adjuster.commands) == 1


async def test_a_way_that_is_too_long_is_not_begun():
    stage = MotorStage(motors=MotorWish(total_deg=1.5))
    await stage.surveyed()
    assert (await stage.refused()).code == "adjuster_too_far"
    assert stage.adjuster.commands == []


async def test_motors_that_bring_it_no_nearer_end_it():
    """A head that wobbles on its clamp: every step ends somewhere else, by half an arcminute."""
    stage = MotorStage(azimuth_arcmin=6.0, altitude_arcmin=-4.0, tolerance_arcsec=10.0)
    await stage.surveyed()
    adjuster = stage.adjuster
    step = adjuster.step

    async def wobbling(azimuth_deg, altitude_deg):
        await step(azimuth_deg, altitude_deg)
        side = 0.6 if len(adjuster.commands) % 2 else -0.6
        adjuster.turn(side * ARCMIN_RAD, -side * ARCMIN_RAD)

    adjuster.step = wobbling
    refused = await stage.refused()
    assert refused.code == "not_converging"
    assert len(adjuster.commands) <= 16


async def test_a_head_that_springs_back_ends_it():
    """At first that may be play, so it tries a little more, and then no more."""
    stage = MotorStage(azimuth_arcmin=6.0, altitude_arcmin=-4.0, tolerance_arcsec=10.0)
    await stage.surveyed()
    adjuster = stage.adjuster
    step = adjuster.step

    async def springing(azimuth_deg, altitude_deg):
        head = stage.mount.head
        await step(azimuth_deg, altitude_deg)
        if len(adjuster.commands) >= 3:
            stage.mount.head = head

    adjuster.step = springing
    assert (await stage.refused()).code == "unexpected_response"
    assert len(adjuster.commands) <= 6


async def test_the_person_stops_the_motors_in_mid_step():
    stage = MotorStage(never_ends=True)
    await stage.surveyed()
    async with asyncio.TaskGroup() as tasks:
        running = tasks.create_task(stage.adjusted())
        await stage.adjuster.started.wait()
        stopped = await stage.evening.handle("stop", {})
    assert stopped == {"stopped": True}
    assert running.result()["stopped"] is True
    assert stage.adjuster.aborted >= 1
    assert len(stage.adjuster.commands) == 1
    assert stage.evening.phase is Phase.IDLE


async def test_a_stop_that_takes_its_time_is_no_failure_of_the_step():
    """The adjuster ends the step as stopped, and confirms the stop only after that."""
    stage = MotorStage()
    await stage.surveyed()
    told, started = asyncio.Event(), stage.adjuster.started

    async def stoppable(azimuth_deg, altitude_deg):
        started.set()
        await told.wait()
        raise DeviceError("was stopped", remedy="", code="stopped")

    async def slowly():
        told.set()
        for _ in range(20):
            await asyncio.sleep(0)

    stage.adjuster.step, stage.adjuster.abort = stoppable, slowly
    async with asyncio.TaskGroup() as tasks:
        running = tasks.create_task(stage.adjusted())
        await started.wait()
        assert await stage.evening.handle("stop", {}) == {"stopped": True}
    assert running.result()["stopped"] is True
    assert stage.evening.phase is Phase.IDLE


async def test_a_stop_that_the_motors_do_not_take_is_said_loudly():
    stage = MotorStage(never_ends=True)
    await stage.surveyed()

    async def deaf():
        raise DeviceError("goes on moving", remedy="Cut its power now", code="still_moving")

    stage.adjuster.abort = deaf
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(stage.adjusted())
        await stage.adjuster.started.wait()
        with pytest.raises(DeviceError, match="goes on moving"):
            await stage.evening.handle("stop", {})
    codes = [m["code"] for topic, m, _ in stage.publisher.messages if topic == "event"]
    assert "still_moving" in codes


async def test_motors_need_the_persons_word_since_they_were_attached():
    stage = MotorStage()
    await stage.surveyed()
    stage.evening.attach(stage.camera, stage.mount, stage.place, adjuster=stage.adjuster)
    assert (await stage.refused()).code == "not_confirmed_clear"
    assert stage.adjuster.commands == []


async def test_without_an_adjuster_motors_cannot_be_asked_for():
    stage = Stage(head=rotation_about(UP, 60.0 * ARCMIN_RAD))
    await stage.surveyed()
    with pytest.raises(UsageError) as caught:
        await stage.evening.handle("adjust", {"motors": True})
    assert caught.value.code == "no_adjuster"


async def test_an_adjuster_that_is_there_is_left_alone_unless_asked_for():
    stage = MotorStage()
    await stage.surveyed()
    measured = asyncio.Event()

    def tell(message):
        if "correction" in message:
            measured.set()

    async with asyncio.TaskGroup() as tasks:
        running = tasks.create_task(stage.evening.handle("adjust", {}, tell))
        await measured.wait()
        await stage.evening.handle("stop", {})
    assert running.result()["stopped"] is True
    assert stage.adjuster.commands == []
