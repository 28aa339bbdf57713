"""The evening's workflows over in-memory ports: survey, adjustment, stop, trouble."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from polewright.core.errors import LinkError, MeasurementError, PolewrightError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.session.evening import Evening
from polewright.session.limits import SafetyLimits
from polewright.session.phases import Phase
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    TERRACE,
    YARD,
    MemoryCamera,
    MemoryMount,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)


def _bolts(azimuth_arcmin: float, altitude_arcmin: float) -> np.ndarray:
    """The tilt of the whole mount that two bolts on a level base make (north-facing knobs)."""
    return rotation_about(np.array([0.0, 0.0, 1.0]), -azimuth_arcmin * ARCMIN_RAD) @ rotation_about(
        np.array([1.0, 0.0, 0.0]), altitude_arcmin * ARCMIN_RAD
    )


class Stage:
    def __init__(
        self,
        place: Place = TERRACE,
        *,
        wishes: EveningWishes | None = None,
        mount: bool = True,
        solver: Callable[..., MemorySolver] = MemorySolver,
        **of_mount: Any,
    ) -> None:
        self.clock = VirtualClock()
        self.place = place
        declination = of_mount.pop("declination", -70.0 if place.south else 70.0)
        self.mount = MemoryMount(self.clock, place=place, declination=declination, **of_mount)
        self.solver = solver(self.mount, np.random.default_rng(1))
        self.publisher = MemoryPublisher()
        self.camera = MemoryCamera(self.clock)
        self.evening = Evening(
            self.solver, self.clock, self.publisher,
            wishes or EveningWishes(survey=SurveyWish(frames=3, sweep_deg=60.0, settle_s=0.5)),
        )  # fmt: skip
        self.evening.attach(self.camera, self.mount if mount else None, place)

    async def surveyed(self) -> dict:
        await self.evening.handle("confirm_clear", {})
        return await self.evening.handle("survey", {})

    def true_total_arcmin(self) -> float:
        pole = pole_enu(self.place, refracted=True)
        return angle_between(self.mount.true_axis_enu(), pole) / ARCMIN_RAD


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize("hour_angle", [-60.0, 20.0])
async def test_a_survey_finds_the_axis_that_the_mount_really_has(place, hour_angle):
    stage = Stage(place, head=_bolts(70.0, -45.0), hour_angle=hour_angle)
    result = await stage.surveyed()
    assert result["total_error_arcmin"] == pytest.approx(stage.true_total_arcmin(), abs=0.5)
    assert result["verdict"] == "not_yet"
    assert stage.evening.phase is Phase.IDLE
    assert stage.publisher.last("survey") == result


async def test_the_mount_ends_where_it_started_and_turned_only_in_right_ascension():
    stage = Stage(head=_bolts(30.0, 10.0))
    await stage.surveyed()
    declinations = {round(dec, 6) for _, dec in stage.mount.slews}
    assert declinations == {-70.0}
    assert stage.mount.hour_angle == pytest.approx(30.0, abs=0.01)


async def test_the_words_lead_to_the_pole():
    """Do what the survey says, exactly, and the axis is there."""
    stage = Stage(head=_bolts(70.0, -45.0))
    result = await stage.surveyed()
    # In the south the axis points to azimuth 180: raising it is the opposite tilt.
    azimuth = rotation_about(np.array([0.0, 0.0, 1.0]), result["azimuth_error_arcmin"] * ARCMIN_RAD)
    axis = azimuth @ stage.mount.true_axis_enu()
    level = np.cross(axis, [0.0, 0.0, 1.0])
    lift = rotation_about(
        level / np.linalg.norm(level), -result["altitude_error_arcmin"] * ARCMIN_RAD
    )
    stage.mount.head = lift @ azimuth @ stage.mount.head
    assert stage.true_total_arcmin() < 0.6


async def test_nothing_moves_without_the_persons_word():
    stage = Stage()
    with pytest.raises(PolewrightError) as caught:
        await stage.evening.handle("survey", {})
    assert caught.value.code == "not_confirmed_clear"
    assert stage.mount.slews == []
    assert stage.evening.phase is Phase.BLOCKED
    state = stage.publisher.last("state")
    assert "clear" in state["reason"]
    assert state["remedy"]


async def test_a_passing_cloud_costs_one_more_frame():
    stage = Stage(head=_bolts(20.0, 10.0))
    stage.solver.clouds = 1
    result = await stage.surveyed()
    assert result["frames"] == 3
    assert stage.camera.frames == 4


async def test_an_overcast_sky_is_told_and_nothing_is_claimed():
    stage = Stage()
    stage.solver.clouds = 1000
    with pytest.raises(MeasurementError) as caught:
        await stage.surveyed()
    assert caught.value.code == "too_few_stars"
    assert all(topic != "survey" for topic, _, _ in stage.publisher.messages)
    assert stage.mount.aborted >= 1


async def _survey_with_a_slip(after_slews: int) -> tuple[Stage, dict]:
    stage = Stage(head=_bolts(20.0, 10.0))
    original = stage.mount.slew_to

    async def slipping(right_ascension, declination):
        await original(right_ascension, declination)
        stage.mount.slip_arcsec = 600.0 if len(stage.mount.slews) >= after_slews else 0.0

    stage.mount.slew_to = slipping
    return stage, await stage.surveyed()


async def test_a_declination_slip_before_the_last_frame_is_refused():
    """Though the frames before it agree among themselves."""
    with pytest.raises(MeasurementError) as caught:
        await _survey_with_a_slip(after_slews=3)
    assert caught.value.code == "declination_moved"
    assert "after frame" in caught.value.text


async def test_a_declination_slip_after_the_first_frame_costs_that_frame():
    stage, result = await _survey_with_a_slip(after_slews=2)
    assert result["frames"] == 3
    assert result["total_error_arcmin"] == pytest.approx(stage.true_total_arcmin(), abs=0.5)


async def test_live_corrections_follow_the_bolts_and_end_when_good_enough():
    stage = Stage(head=_bolts(70.0, -45.0))
    await stage.surveyed()
    seen = []

    def turn_the_bolts(message):
        correction = message.get("correction")
        if correction is None:
            return
        seen.append((correction["total_error_arcmin"], stage.true_total_arcmin()))
        part = 0.5 if correction["total_error_arcmin"] > 0.3 else 0.0
        azimuth = rotation_about(
            np.array([0.0, 0.0, 1.0]), part * correction["azimuth_error_arcmin"] * ARCMIN_RAD
        )
        axis = azimuth @ stage.mount.true_axis_enu()
        level = np.cross(axis, [0.0, 0.0, 1.0])
        lift = rotation_about(
            level / np.linalg.norm(level),
            -part * correction["altitude_error_arcmin"] * ARCMIN_RAD,
        )
        stage.mount.head = lift @ azimuth @ stage.mount.head

    result = await stage.evening.handle("adjust", {"stop_when_good": True}, turn_the_bolts)
    assert result["verdict"] == "good_enough"
    assert stage.true_total_arcmin() < 1.0
    assert max(abs(claimed - true) for claimed, true in seen) < 0.6
    last = stage.publisher.last("correction")
    assert last["live"] is False


async def test_adjusting_needs_a_survey_first():
    stage = Stage()
    with pytest.raises(UsageError) as caught:
        await stage.evening.handle("adjust", {})
    assert caught.value.code == "no_survey"


async def test_a_stop_ends_the_adjustment_and_stops_the_mount_first():
    stage = Stage(head=_bolts(70.0, -45.0))
    await stage.surveyed()
    sleep = stage.clock.sleep

    async def yielding(duration_s):
        await sleep(duration_s)
        await asyncio.sleep(0)

    stage.clock.sleep = yielding
    aborted = stage.mount.aborted
    async with asyncio.TaskGroup() as tasks:
        adjusting = tasks.create_task(_code_of(stage.evening.handle("adjust", {})))
        await _until_adjusting(stage)
        with pytest.raises(UsageError, match="an adjustment is running"):
            await stage.evening.handle("survey", {})
        answer = await stage.evening.handle("stop", {})
    assert answer == {"stopped": True}
    assert adjusting.result() == "stopped"
    assert stage.mount.aborted > aborted
    assert stage.evening.phase is Phase.IDLE


async def test_lost_devices_end_the_work_and_say_why():
    stage = Stage(head=_bolts(70.0, -45.0))
    await stage.surveyed()
    sleep = stage.clock.sleep

    async def yielding(duration_s):
        await sleep(duration_s)
        await asyncio.sleep(0)

    stage.clock.sleep = yielding
    gone = LinkError("the server went away", remedy="Start it.")
    async with asyncio.TaskGroup() as tasks:
        adjusting = tasks.create_task(_code_of(stage.evening.handle("adjust", {})))
        await _until_adjusting(stage)
        stage.evening.detach(gone)
    assert adjusting.result() == "link_lost"
    assert stage.evening.phase is Phase.BLOCKED
    assert stage.publisher.last("state")["remedy"] == "Start it."
    stage.evening.attach(stage.camera, stage.mount, TERRACE)
    assert stage.evening.phase is Phase.IDLE


async def test_without_a_mount_a_survey_says_so():
    stage = Stage(mount=False)
    with pytest.raises(UsageError) as caught:
        await stage.surveyed()
    assert caught.value.code == "no_mount"


async def test_an_unknown_command_is_refused():
    with pytest.raises(UsageError, match="no command"):
        await Stage().evening.handle("dance", {})


async def _until_adjusting(stage: Stage) -> None:
    for _ in range(1000):
        if stage.evening.phase is Phase.ADJUSTING:
            return
        await asyncio.sleep(0)
    pytest.fail("the adjustment did not begin")


async def _code_of(work) -> str:
    try:
        await work
    except PolewrightError as ended:
        return ended.code
    return "done"


async def test_an_easy_wish_takes_fewer_frames_and_a_smaller_turn_than_a_hard_one():
    turns = {}
    for wish_arcsec in (60.0, 4.0):
        stage = Stage(
            head=_bolts(20.0, 10.0),
            wishes=EveningWishes(survey=SurveyWish(frames=6, sweep_deg=80.0, settle_s=0.5)),
        )
        await stage.evening.handle("confirm_clear", {})
        result = await stage.evening.handle("survey", {"wish_arcsec": wish_arcsec})
        turns[wish_arcsec] = (result["frames"], result["sweep_deg"])
        assert result["further_frame_sigma_arcmin"] <= result["total_error_sigma_arcmin"] * 1.05
    assert turns[60.0][0] == 3
    assert turns[4.0][0] > 3
    assert turns[60.0][1] < turns[4.0][1]


async def test_a_tree_on_the_horizon_keeps_the_survey_on_its_free_side():
    """The sweep ends where the outline rises, instead of being refused half way."""
    limits = SafetyLimits(horizon=((90.0, 0.0), (225.0, 0.0), (235.0, 80.0), (300.0, 80.0)))
    stage = Stage(
        head=_bolts(20.0, 10.0),
        hour_angle=10.0,
        declination=-60.0,
        wishes=EveningWishes(
            limits=limits, survey=SurveyWish(frames=4, sweep_deg=80.0, settle_s=0.5)
        ),
    )
    result = await stage.surveyed()
    assert result["sweep_deg"] < 60.0
    assert result["total_error_arcmin"] == pytest.approx(stage.true_total_arcmin(), abs=1.0)


class TurnedByHand(Stage):
    """Somebody turns the axis a little after every third frame; the camera keeps exposing."""

    def __init__(self, *, step_deg: float = 20.0, stops: int = 8, **kw):
        super().__init__(mount=False, head=_bolts(40.0, -20.0), hour_angle=-70.0, **kw)
        expose = self.camera.expose

        async def turning(exposure_s):
            frame = await expose(exposure_s)
            if self.camera.frames % 3 == 2 and self.camera.frames // 3 < stops:
                self.mount.hour_angle += step_deg
            return frame

        self.camera.expose = turning


async def test_an_axis_turned_by_hand_is_surveyed_without_any_motor():
    stage = TurnedByHand()
    told = []
    result = await stage.evening.handle("survey", {"by_hand": True}, told.append)
    assert result["total_error_arcmin"] == pytest.approx(stage.true_total_arcmin(), abs=1.0)
    assert result["frames"] >= 3
    assert stage.mount.slews == []
    assert any("turn right ascension" in message["step"] for message in told)
    # Displays tell by these words that no motor moves.
    assert all(message["step"].startswith("by hand: ") for message in told)


async def test_a_hand_survey_that_nobody_turns_ends_by_itself():
    stage = TurnedByHand(stops=0)
    with pytest.raises(MeasurementError) as caught:
        await stage.evening.handle("survey", {"by_hand": True})
    assert caught.value.code == "nobody_turned"


async def test_another_camera_in_the_middle_of_a_survey_is_noticed():
    stage = Stage(head=_bolts(20.0, 10.0))
    solve = stage.solver.solve

    async def swapped(frame, hint):
        stage.solver.scale_arcsec_px = 6.4 if stage.camera.frames < 3 else 3.2
        return await solve(frame, hint)

    stage.solver.solve = swapped
    with pytest.raises(MeasurementError) as caught:
        await stage.surveyed()
    assert caught.value.code == "optics_changed"


async def test_the_wrong_hemisphere_is_noticed_at_the_first_frame():
    """Latitude with the wrong sign: the sky seen cannot stand above that horizon."""
    stage = Stage(head=_bolts(20.0, 10.0))
    wrong = replace(TERRACE, latitude_deg=32.4)
    stage.evening.attach(stage.camera, stage.mount, wrong)
    with pytest.raises(PolewrightError) as caught:
        await stage.surveyed()
    assert caught.value.code in {"below_horizon", "altitude_floor", "no_room"}


async def test_a_camera_on_a_rotator_is_surveyed_by_directions_alone():
    """Its roll is anything: found from the misfit, and named in the result."""
    stage = Stage(
        head=_bolts(20.0, 10.0),
        declination=-30.0,
        wishes=EveningWishes(survey=SurveyWish(frames=7, sweep_deg=80.0, settle_s=0.5)),
    )
    look = stage.mount.camera_enu
    rng = np.random.default_rng(2)

    def rolled():
        return look() @ rotation_about(np.array([1.0, 0.0, 0.0]), rng.uniform(-1.0, 1.0))

    stage.mount.camera_enu = rolled
    result = await stage.surveyed()
    assert result["roll_used"] is False
    error = result["total_error_arcmin"] - stage.true_total_arcmin()
    assert abs(error) < 4 * result["total_error_sigma_arcmin"]


async def test_a_bug_in_some_work_leaves_the_evening_usable():
    stage = Stage(head=_bolts(20.0, 10.0))
    solve = stage.solver.solve

    async def stumbles(*_arguments):
        raise ZeroDivisionError("a bug")

    stage.solver.solve = stumbles
    with pytest.raises(ExceptionGroup):
        await stage.surveyed()
    assert stage.evening.phase is Phase.BLOCKED
    assert stage.publisher.last("state")["remedy"]
    stage.solver.solve = solve
    assert (await stage.surveyed())["frames"] == 3
