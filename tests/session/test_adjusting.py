"""Adjusting over in-memory ports: hands, clouds, nudges, a moved declination, knobs, targets."""

import asyncio
import json
from contextlib import asynccontextmanager

import numpy as np
import pytest

from polewright.adapters.mqtt.payloads import TargetsPayload
from polewright.core.errors import MeasurementError, PolewrightError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, unit
from polewright.core.geometry.rotations import rotation_about
from polewright.ports import PierSide
from polewright.session.phases import Phase
from tests.session.ports_in_memory import TERRACE, YARD, MemoryMount
from tests.session.test_evening import Stage

UP = np.array([0.0, 0.0, 1.0])


class Knobs:
    """Two screws on a mount whose base leans; clockwise raises by ``gains[0]`` arcmin a turn."""

    def __init__(self, mount: MemoryMount, gains=(30.0, -20.0), vertical=(0.04, 0.02, 1.0)):
        self.mount = mount
        self.gains = gains
        self.vertical = unit(np.array(vertical))

    def turn(self, *, altitude=0.0, azimuth=0.0):
        axis = self.mount.true_axis_enu()
        lift = rotation_about(
            unit(np.cross(axis, self.vertical)), altitude * self.gains[0] * ARCMIN_RAD
        )
        around = rotation_about(-self.vertical, azimuth * self.gains[1] * ARCMIN_RAD)
        self.mount.head = around @ lift @ self.mount.head


class Adjusting:
    """An adjustment that runs beside the test; ``frames`` waits until so many more came."""

    def __init__(self, stage: Stage):
        self.stage = stage
        self.corrections = []
        self.outcome: dict | PolewrightError | None = None

    def on_progress(self, message):
        if "correction" in message:
            self.corrections.append((message["correction"], self.stage.true_total_arcmin()))

    async def frames(self, count):
        wanted = len(self.corrections) + count
        for _ in range(40_000):
            if len(self.corrections) >= wanted or self.outcome is not None:
                return
            await asyncio.sleep(0)
        pytest.fail("no more corrections came")

    async def ended(self):
        for _ in range(40_000):
            if self.outcome is not None:
                return self.outcome
            await asyncio.sleep(0)
        pytest.fail("the adjustment did not end")

    @property
    def newest(self):
        return self.corrections[-1][0]


@asynccontextmanager
async def adjusting(stage: Stage, **arguments):
    """Survey, then adjust in the background until the block ends."""
    await stage.surveyed()
    sleep = stage.clock.sleep

    async def yielding(duration_s):
        await sleep(duration_s)
        await asyncio.sleep(0)

    stage.clock.sleep = yielding
    running = Adjusting(stage)

    async def work():
        try:
            running.outcome = await stage.evening.handle("adjust", arguments, running.on_progress)
        except PolewrightError as failure:
            running.outcome = failure

    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(work())
        try:
            await running.frames(3)
            yield running
        finally:
            if running.outcome is None:
                await stage.evening.handle("stop", {})


def head(azimuth_arcmin, altitude_arcmin):
    return rotation_about(UP, -azimuth_arcmin * ARCMIN_RAD) @ rotation_about(
        np.array([1.0, 0.0, 0.0]), altitude_arcmin * ARCMIN_RAD
    )


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
async def test_claims_stay_true_through_hands_clouds_and_nudges(place):
    stage = Stage(place, head=head(40.0, -30.0))
    knobs = Knobs(stage.mount)
    async with adjusting(stage) as running:
        knobs.turn(altitude=0.3)
        await running.frames(4)
        stage.solver.clouds = 30
        knobs.turn(azimuth=-0.4)
        await running.frames(4)
        stage.mount.hour_angle += 7.0
        await running.frames(4)
        knobs.turn(altitude=-0.1, azimuth=0.2)
        stage.mount.hour_angle -= 2.0
        await running.frames(4)
    for claim, true_arcmin in running.corrections:
        wrong = abs(claim["total_error_arcmin"] - true_arcmin)
        assert wrong < 4.0 * claim["total_error_sigma_arcmin"]
    assert stage.evening.phase is Phase.IDLE


async def test_a_lost_field_is_told_and_found_again():
    stage = Stage(head=head(40.0, -30.0))
    async with adjusting(stage) as running:
        stage.solver.clouds = 30
        await running.frames(1)
        reasons = [m["reason"] for t, m, _ in stage.publisher.messages if t == "state"]
        assert "no stars" in reasons
        shown = [m["live"] for t, m, _ in stage.publisher.messages if t == "correction"]
        assert False in shown
        assert running.newest["live"] is True


async def test_with_long_frames_one_that_fails_does_not_take_the_figures_away():
    stage = Stage(head=head(40.0, -30.0))

    def shown():
        return [m["live"] for t, m, _ in stage.publisher.messages if t == "correction"]

    async with adjusting(stage, exposure_s=20.0) as running:
        assert running.newest["valid_s"] == pytest.approx(50.0, abs=2.0)
        stage.solver.clouds = 1
        await running.frames(1)
        assert False not in shown()
        stage.solver.clouds = 4
        await running.frames(1)
        assert False in shown()


async def test_short_frames_hold_for_six_seconds():
    async with adjusting(Stage(head=head(40.0, -30.0)), exposure_s=0.5) as running:
        assert running.newest["valid_s"] == 6.0


async def test_a_moved_declination_ends_the_adjustment_and_asks_for_a_survey():
    stage = Stage(head=head(40.0, -30.0))
    async with adjusting(stage) as running:
        stage.mount.declination += 1.0
        failure = await running.ended()
    assert isinstance(failure, MeasurementError)
    assert failure.code == "declination_moved"
    assert "urvey" in failure.remedy
    assert stage.evening.phase is Phase.BLOCKED


async def test_declination_moved_between_survey_and_adjustment_is_noticed():
    stage = Stage(head=head(40.0, -30.0))
    await stage.surveyed()
    stage.mount.declination += 1.0
    with pytest.raises(MeasurementError) as caught:
        await stage.evening.handle("adjust", {})
    assert caught.value.code == "declination_moved"


async def test_without_a_word_from_the_mount_a_jump_by_degrees_is_not_believed():
    stage = Stage(head=head(40.0, -30.0))
    status = stage.mount.status

    async def silent():
        told = await status()
        return type(told)(
            right_ascension_deg=told.right_ascension_deg, declination_deg=None, slewing=False,
            tracking=None, parked=None, pier_side=PierSide.UNKNOWN,
        )  # fmt: skip

    async with adjusting(stage) as running:
        stage.mount.status = silent
        stage.mount.declination += 30.0
        failure = await running.ended()
    assert isinstance(failure, MeasurementError)
    assert failure.code == "declination_moved"
    assert max(claim["total_error_arcmin"] for claim, _ in running.corrections) < 60.0


async def test_reported_turns_teach_the_knobs_and_the_words_then_tell_turns():
    stage = Stage(head=head(60.0, -45.0))
    knobs = Knobs(stage.mount, gains=(30.0, -20.0))
    async with adjusting(stage) as running:
        assert running.newest["altitude_turns"] is None
        for bolt, turns in (("altitude", 0.25), ("azimuth", 0.25), ("altitude", 0.25)):
            knobs.turn(**{bolt: turns})
            await running.frames(5)
            learned = await stage.evening.handle("turned", {"bolt": bolt, "turns": turns})
            assert learned["bolt"] == bolt
        await running.frames(1)
        newest = running.newest
        error = newest["altitude_error_arcmin"]
        assert newest["altitude_turns"] == pytest.approx(-error / 30.0, rel=0.25)
        assert "turn" in newest["altitude_words"]
        assert "clockwise" in newest["altitude_words"]
        # Do what it says; a few rounds end within the slack's uncertainty.
        for _ in range(4):
            told = running.newest
            for bolt in ("altitude", "azimuth"):
                turns = told[f"{bolt}_turns"]
                if turns:
                    knobs.turn(**{bolt: turns})
                    await running.frames(6)
                    await stage.evening.handle("turned", {"bolt": bolt, "turns": turns})
                    await running.frames(1)
                    told = running.newest
        assert stage.true_total_arcmin() < 1.0


async def test_a_report_without_motion_or_of_the_wrong_bolt_is_refused():
    stage = Stage(head=head(60.0, -45.0))
    knobs = Knobs(stage.mount, vertical=(0.0, 0.0, 1.0))
    async with adjusting(stage) as running:
        with pytest.raises(MeasurementError) as caught:
            await stage.evening.handle("turned", {"bolt": "altitude", "turns": 1.0})
        assert caught.value.code == "no_motion_seen"
        knobs.turn(azimuth=1.0)
        await running.frames(5)
        with pytest.raises(MeasurementError) as caught:
            await stage.evening.handle("turned", {"bolt": "altitude", "turns": 1.0})
        assert caught.value.code == "other_bolt_moved"
        with pytest.raises(UsageError):
            await stage.evening.handle("turned", {"bolt": "altitude", "turns": 0.0})


async def test_a_report_outside_an_adjustment_is_refused():
    with pytest.raises(UsageError) as caught:
        await Stage().evening.handle("turned", {"bolt": "altitude", "turns": 1.0})
    assert caught.value.code == "no_adjustment"


async def test_a_report_that_waits_is_answered_when_the_adjustment_ends():
    stage = Stage(head=head(60.0, -45.0))
    knobs = Knobs(stage.mount)
    async with asyncio.TaskGroup() as tasks, adjusting(stage):
        knobs.turn(altitude=0.2)
        waiting = tasks.create_task(_code_of(stage, {"bolt": "altitude", "turns": 0.2}))
        await asyncio.sleep(0)
    assert waiting.result() == "no_adjustment"


async def _code_of(stage, report):
    try:
        await stage.evening.handle("turned", report)
    except PolewrightError as failure:
        return failure.code
    return "learned"


async def test_targets_are_published_with_every_correction_and_not_retained():
    stage = Stage(head=head(40.0, -30.0))
    async with adjusting(stage):
        pass
    told = [(m, retain) for topic, m, retain in stage.publisher.messages if topic == "targets"]
    assert len(told) >= 3
    message, retain = told[-1]
    assert retain is False
    TargetsPayload.model_validate_json(json.dumps({"v": 1, "at": "2026-11-25T20:00:00Z"} | message))
    assert 1 <= len(message["stars"]) <= 12
