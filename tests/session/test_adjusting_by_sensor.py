"""Rough alignment by a sensor on the axis, over in-memory ports, in both hemispheres."""

import asyncio
import json
import math
import re
from contextlib import asynccontextmanager
from dataclasses import replace

import numpy as np
import pytest

from polewright.adapters.mqtt.payloads import CorrectionPayload
from polewright.cli.learned import tell_learned
from polewright.cli.output import Output
from polewright.core.axis.field_events import SENSOR_PACE
from polewright.core.errors import MeasurementError, PolewrightError, UsageError
from polewright.core.geometry.directions import altaz_from_enu, enu_from_altaz, unit
from polewright.core.geometry.rotations import rotation_about
from polewright.core.records import Lessons
from polewright.core.sky.sun import sun_enu
from polewright.session.phases import Phase
from polewright.session.sensing import SensorTeller
from polewright.session.sensor_desk import SensorDesk
from tests.session.ports_in_memory import TERRACE, YARD
from tests.session.sensor_in_memory import MemorySensor
from tests.session.test_adjusting import head
from tests.session.test_evening import Stage

UP = np.array([0.0, 0.0, 1.0])
BOTH = pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
# Calibrated, and away from iron: what a careful person's sensor is.
CAREFUL = replace(SENSOR_PACE, tilt_sigma_rad=math.radians(0.2),
                  heading_sigma_rad=math.radians(1.0))  # fmt: skip
DAY_S = -12.0 * 3600.0  # from the stage's night to the same day's forenoon


class DayStage(Stage):
    """A stage with a sensor on the axis, by day unless told otherwise."""

    def __init__(self, place=TERRACE, *, night=False, **of_sensor):
        super().__init__(place, head=of_sensor.pop("head", head(250.0, -170.0)))
        if not night:
            self.clock.elapsed_s = DAY_S
        self.sensor = MemorySensor(self.clock, self.mount, **of_sensor)
        self.desk = SensorDesk(self.sensor, self.clock)
        self.evening._sensor = self.desk
        self.teller = SensorTeller(self.publisher, self.clock, self.sensor, self.desk.note)
        sleep = self.clock.sleep

        async def yielding(duration_s):
            await sleep(duration_s)
            self.teller.look()
            await asyncio.sleep(0)

        self.clock.sleep = yielding

    def turn(self, *, raise_deg=0.0, clockwise_deg=0.0):
        """Turn the bolts of a level base."""
        axis = self.mount.true_axis_enu()
        lift = rotation_about(unit(np.cross(axis, UP)), math.radians(raise_deg))
        around = rotation_about(UP, -math.radians(clockwise_deg))
        self.mount.head = around @ lift @ self.mount.head

    def obey(self, correction):
        """Turn the bolts by what the words say, as a hand does; return whether they say to."""
        amounts = []
        for words, plus in (
            (correction["altitude_words"], "raise"),
            (correction["azimuth_words"], "(clockwise"),
        ):
            told = re.search(r"([0-9.]+) (deg|arcmin|arcsec)", words)
            if "leave" in words or told is None:
                amounts.append(0.0)
                continue
            size = float(told[1]) / {"deg": 1.0, "arcmin": 60.0, "arcsec": 3600.0}[told[2]]
            amounts.append(size if plus in words else -size)
        self.turn(raise_deg=amounts[0], clockwise_deg=amounts[1])
        return any(amounts)


@asynccontextmanager
async def adjusting(stage, **arguments):
    """Adjust by the sensor in the background; yields a coroutine that waits for corrections."""
    told, outcome = [], []
    await stage.clock.sleep(4.0)

    def progress(message):
        if "correction" in message:
            told.append(message["correction"])

    async def work():
        try:
            outcome.append(await stage.evening.handle("adjust", {"by": "sensor"} | arguments,
                                                      progress))  # fmt: skip
        except PolewrightError as failure:
            outcome.append(failure)

    async def next_after(count=1):
        wanted = len(told) + count
        for _ in range(5000):
            if len(told) >= wanted or outcome:
                return told[-1] if told else outcome[0]
            await asyncio.sleep(0)
        raise AssertionError("no more corrections came")

    next_after.outcome = outcome
    next_after.told = told
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(work())
        try:
            yield next_after
        finally:
            if not outcome:
                await stage.evening.handle("stop", {})


@BOTH
async def test_obeying_the_words_brings_an_axis_5_degrees_off_within_the_claimed_sigma(place):
    stage = DayStage(place, pace=CAREFUL)
    before = stage.true_total_arcmin()
    assert before > 240.0
    async with adjusting(stage) as following:
        for _ in range(6):
            if not stage.obey(await following(20)):
                break
        last = await following(20)
        state = stage.publisher.last("state")
    assert stage.true_total_arcmin() < 2.5 * last["total_error_sigma_arcmin"]
    assert stage.true_total_arcmin() < 60.0
    assert last["method"] == "sensor"
    assert last["verdict"] == "cannot_tell"
    assert state["step"].startswith("nothing more to turn by a sensor, sure to ")
    CorrectionPayload.model_validate_json(json.dumps({"v": 1, "at": "2026-11-25T10:00:00Z"} | last))
    assert stage.evening.phase is Phase.IDLE


async def test_words_are_as_round_as_the_sensor_is_rough():
    stage = DayStage(pace=CAREFUL)
    async with adjusting(stage) as following:
        told = await following(12)
    assert re.search(r"(raise|lower) the axis \d\.[05] deg$", told["altitude_words"])
    assert re.search(r"turn the mount head \d\.[05] deg toward the", told["azimuth_words"])


async def test_a_sensor_never_says_good_enough_beyond_what_its_sigma_allows():
    stage = DayStage(head=np.eye(3), pace=CAREFUL)
    async with adjusting(stage) as following:
        assert (await following(10))["verdict"] == "cannot_tell"
    async with adjusting(stage, tolerance_arcsec=5.0 * 3600.0) as following:
        assert (await following(10))["verdict"] == "good_enough"


async def test_it_ends_by_itself_when_nothing_more_can_be_told():
    stage = DayStage(head=np.eye(3), pace=CAREFUL)
    async with adjusting(stage, stop_when_good=True) as following:
        for _ in range(400):
            await following(1)
            if following.outcome:
                break
    (ended,) = following.outcome
    assert ended["verdict"] == "cannot_tell"


async def test_figures_rest_while_hands_rest():
    stage = DayStage()
    async with adjusting(stage) as following:
        await following(20)
        told = [(await following(1)) for _ in range(20)]
    assert len({one["altitude_words"] for one in told}) == 1
    assert np.ptp([one["altitude_error_arcmin"] for one in told]) < 1.5


async def test_a_silent_sensor_is_told_and_its_figures_taken_away_and_it_comes_back():
    stage = DayStage()
    async with adjusting(stage) as following:
        await following(5)
        stage.sensor.silent = True
        for _ in range(60):
            await asyncio.sleep(0)
        assert stage.publisher.last("state")["reason"].startswith("nothing comes from the sensor")
        assert stage.publisher.last("correction")["live"] is False
        stage.sensor.silent = False
        assert (await following(4))["live"] is True
    assert stage.evening.phase is Phase.IDLE


async def test_iron_is_told_in_words_and_the_azimuth_is_left():
    stage = DayStage(iron_enu_nt=(15000.0, 5000.0, 12000.0))
    async with adjusting(stage) as following:
        told = await following(12)
        step = stage.publisher.last("state")["step"]
    assert step.startswith("iron nearby bends the compass: the field is ")
    clean = DayStage()
    async with adjusting(clean) as following:
        usual = await following(12)
    assert told["azimuth_error_sigma_arcmin"] > 2.0 * usual["azimuth_error_sigma_arcmin"]
    assert told["altitude_words"].startswith("lower the axis")


async def test_without_a_sensor_or_with_motors_it_does_not_begin():
    stage = DayStage()
    stage.sensor.silent = True
    stage.sensor.window.clear()
    with pytest.raises(UsageError) as caught:
        await stage.evening.handle("adjust", {"by": "sensor"})
    assert caught.value.code == "no_sensor"
    stage = DayStage()
    await stage.clock.sleep(4.0)
    with pytest.raises(UsageError) as caught:
        await stage.evening.handle("adjust", {"by": "sensor", "motors": True})
    assert caught.value.code == "not_by_sensor"


async def test_a_sensor_without_a_compass_is_told_and_says_nothing_of_the_azimuth():
    stage = DayStage(has_compass=False)
    async with adjusting(stage) as following:
        for _ in range(40):
            await asyncio.sleep(0)
        assert "does not know north" in stage.publisher.last("state")["reason"]
        assert following.told == []


@BOTH
async def test_the_sun_sets_a_compass_that_is_12_degrees_off(place):
    stage = DayStage(place, pace=CAREFUL, compass_off_deg=12.0, head=head(30.0, 20.0))
    altitude, azimuth = altaz_from_enu(sun_enu(place, stage.clock.now()))
    assert 0.1 < altitude < 1.2
    toward = enu_from_altaz(0.1, azimuth)
    east = unit(np.cross(toward, UP))
    stage.sensor.off_axis = np.column_stack([east, toward, np.cross(east, toward)])
    await stage.clock.sleep(8.0)
    told = await stage.evening.handle("sensor_on_sun", {})
    assert told["compass_was_off_deg"] == pytest.approx(12.0, abs=1.5)
    assert "never look at the Sun" in told["caution"]
    stage.sensor.off_axis = None
    await stage.clock.sleep(8.0)
    async with adjusting(stage) as following:
        claim = await following(12)
    wrong = abs(claim["total_error_arcmin"] - stage.true_total_arcmin())
    assert wrong < 2.5 * claim["total_error_sigma_arcmin"]
    assert wrong < 120.0


async def test_a_moving_sensor_cannot_be_laid_on_the_sun():
    stage = DayStage(gravity_noise_ms2=0.6)
    await stage.clock.sleep(8.0)
    with pytest.raises(MeasurementError) as caught:
        await stage.evening.handle("sensor_on_sun", {})
    assert caught.value.code == "not_at_rest"


@BOTH
async def test_surveys_teach_a_crooked_bracket_and_the_next_rough_alignment_is_better(place):
    """A clamp 2 deg too low, five nights of surveys, then a day."""
    stage = DayStage(place, night=True, pace=CAREFUL, crooked_deg=(2.0, 0.0),
                     head=head(25.0, -20.0))  # fmt: skip
    for night in range(5):
        stage.mount.head = head(10.0 * night, 5.0 * night - 20.0)
        await stage.surveyed()
    brackets = stage.evening._experience._brackets
    assert [record.bracket for record in brackets] == ["memory, along"] * 5
    stage.mount.head = head(200.0, 150.0)
    async with adjusting(stage) as following:
        for _ in range(6):
            if not stage.obey(await following(20)):
                break
        last = await following(20)
    axis = stage.mount.true_axis_enu()
    assert abs(math.degrees(math.asin(axis[2])) - abs(place.latitude_deg)) < 0.7
    assert last["altitude_error_sigma_arcmin"] < 0.5 * 60.0
    assert stage.true_total_arcmin() < 2.5 * last["total_error_sigma_arcmin"]


async def test_a_survey_learns_nothing_of_a_sensor_that_lies_on_the_table_or_spoke_before():
    stage = DayStage(night=True, head=head(25.0, -20.0))
    stage.sensor.off_axis = np.eye(3)
    await stage.surveyed()
    assert stage.evening._experience._brackets == []
    codes = [m["code"] for t, m, _ in stage.publisher.messages if t == "event"]
    assert "sensor_elsewhere" in codes
    early = DayStage(night=True, head=head(25.0, -20.0))
    await early.clock.sleep(8.0)
    early.sensor.silent = True
    early.sensor.window.clear()
    await early.surveyed()
    assert early.evening._experience._brackets == []


async def test_what_was_learned_of_a_bracket_is_told(capsys):
    stage = DayStage(night=True, pace=CAREFUL, crooked_deg=(2.0, 0.0), head=head(25.0, -20.0))
    for _ in range(3):
        await stage.surveyed()
    lessons = Lessons(brackets=tuple(stage.evening._experience._brackets))
    tell_learned(lessons, Output(as_json=True))
    (told,) = json.loads(capsys.readouterr().out)["brackets"]
    assert (told["mount"], told["bracket"], told["surveys"]) == ("Kudu", "memory, along", 3)
    assert told["off_deg"] == pytest.approx(2.0, abs=0.5)
    assert told["best_sigma_deg"] < 0.5
    tell_learned(lessons, Output(as_json=False))
    line = capsys.readouterr().out
    assert line.startswith("Kudu, sensor (memory, along): held ")
    assert line.endswith("(3 surveys)\n")
