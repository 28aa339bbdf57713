"""Verification over in-memory ports: what a look tells without a turn, and a survey with one."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from polewright.core.errors import DeviceError, PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD, altaz_from_enu
from polewright.core.geometry.rotations import rotation_about
from polewright.ports import PierSide
from polewright.session.phases import Phase
from polewright.session.schedule_wish import ScheduleWish
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import TERRACE, YARD
from tests.session.test_evening import Stage, _bolts

WISHES = EveningWishes(
    survey=SurveyWish(frames=3, sweep_deg=60.0, settle_s=0.5), tolerance_arcsec=90.0
)


BORESIGHT = np.array([1.0, 0.0, 0.0])


class Gate:
    def __init__(self):
        self.opened = []
        self.shuts = 0

    def open(self, verification):
        self.opened.append(verification)

    def shut(self):
        self.shuts += 1


def _stage(place=TERRACE, *, wishes=WISHES, **of_mount):
    stage = Stage(place, wishes=wishes, **({"head": _bolts(0.4, -0.3)} | of_mount))
    stage.evening._gate = stage.gate = Gate()
    return stage


async def _ready(place=TERRACE, **more):
    """Surveyed, and forgotten what was said clear: nothing moves from here on."""
    stage = _stage(place, **more)
    await stage.surveyed()
    stage.mount.slews.clear()
    return stage


def _events(stage):
    return [body["code"] for topic, body, _ in stage.publisher.messages if topic == "event"]


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
async def test_a_mount_that_stands_as_before_is_good_by_one_look_and_nothing_turns(place):
    stage = await _ready(place)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["verdict"] == "good_enough"
    assert result["moved"] is False
    assert result["depth"] == "quick"
    assert 1 <= result["frames"] <= 3
    assert result["total_error_arcmin"] == pytest.approx(stage.true_total_arcmin(), abs=0.5)
    assert stage.mount.slews == []
    assert stage.evening.phase is Phase.IDLE
    assert stage.publisher.last("schedule")["last"] == result
    assert "verified_good_enough" in _events(stage)
    assert [one["verdict"] for one in stage.gate.opened] == ["good_enough"]
    phases = [m["state"] for topic, m, _ in stage.publisher.messages if topic == "state"]
    assert "verifying" in phases


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize("hour_angle", [-50.0, 0.0, 40.0])
async def test_right_ascension_may_have_turned_meanwhile(place, hour_angle):
    stage = await _ready(place)
    stage.mount.hour_angle = hour_angle
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["verdict"], result["moved"]) == ("good_enough", False)


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0), (5.0, 0.0), (0.0, -5.0)])
async def test_a_base_that_moved_is_found_with_its_size_and_nothing_is_called_good(place, way):
    """Field 20 deg from the pole: 1 arcmin is about what a look finds every time."""
    stage = await _ready(place)
    altitude, azimuth = altaz_from_enu(stage.mount.true_axis_enu())
    stage.mount.head = _bolts(*(2.0 * part for part in way)) @ stage.mount.head
    up, east = altaz_from_enu(stage.mount.true_axis_enu())
    true_up = (up - altitude) / ARCMIN_RAD
    true_side = math.remainder(east - azimuth, 2 * math.pi) * math.cos(altitude) / ARCMIN_RAD
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["moved"] is True
    assert result["verdict"] in ("not_yet", "cannot_tell")
    assert result["altitude_move_arcmin"] == pytest.approx(
        true_up, abs=3.5 * result["altitude_move_sigma_arcmin"]
    )
    assert result["azimuth_move_on_sky_arcmin"] == pytest.approx(
        true_side, abs=3.5 * result["azimuth_move_on_sky_sigma_arcmin"]
    )
    assert result["code"] == "moved"
    assert result["remedy"]
    assert "moved" in _events(stage)
    assert not stage.gate.opened
    assert stage.mount.slews == []


async def test_a_look_that_saw_a_move_leads_to_a_survey_where_the_mount_may_move():
    stage = await _ready()
    stage.mount.head = _bolts(5.0, 0.0) @ stage.mount.head
    result = await stage.evening.handle("verify", {})
    assert result["depth"] == "full"
    assert result["moved"] is True
    assert result["verdict"] == "not_yet"
    assert result["total_error_arcmin"] == pytest.approx(stage.true_total_arcmin(), abs=0.4)
    assert stage.mount.slews
    assert stage.publisher.last("survey")["verdict"] == "not_yet"
    # Measured anew: the next look is held against that.
    again = await stage.evening.handle("verify", {"depth": "quick"})
    assert (again["moved"], again["verdict"]) == (False, "not_yet")
    assert not stage.gate.opened


async def test_after_a_look_that_saw_a_move_the_comparison_is_still_with_the_time_before_it():
    stage = await _ready()
    stage.mount.head = _bolts(5.0, 0.0) @ stage.mount.head
    looks = [await stage.evening.handle("verify", {"depth": "quick"}) for _ in range(2)]
    assert [look["moved"] for look in looks] == [True, True]
    full = await stage.evening.handle("verify", {"depth": "full"})
    assert full["moved"] is True
    assert full["compared_with"] == looks[0]["compared_with"]


async def test_an_axis_that_a_watch_saw_move_is_nothing_to_agree_with():
    """The watch goes by the same pictures: it and a look are wrong together."""
    stage = await _ready()
    memory = stage.evening._memory
    memory.axis = replace(memory.axis, doubtful=True)
    look = await stage.evening.handle("verify", {"depth": "quick"})
    assert (look["verdict"], look["moved"]) == ("cannot_tell", None)
    assert look["code"] == "axis_not_seen_since"
    assert not stage.gate.opened
    full = await stage.evening.handle("verify", {})
    assert (full["depth"], full["verdict"]) == ("full", "good_enough")
    assert (await stage.evening.handle("verify", {"depth": "quick"}))["verdict"] == "good_enough"


async def test_a_full_one_compares_with_the_survey_before():
    stage = await _ready()
    quiet = await stage.evening.handle("verify", {"depth": "full"})
    assert (quiet["depth"], quiet["moved"], quiet["verdict"]) == ("full", False, "good_enough")
    stage.mount.head = _bolts(0.0, 2.0) @ stage.mount.head
    result = await stage.evening.handle("verify", {"depth": "full"})
    assert result["moved"] is True
    # In the south a tilt toward the north lowers the axis.
    sigma = result["altitude_move_sigma_arcmin"]
    assert sigma < 0.4
    assert result["altitude_move_arcmin"] == pytest.approx(-2.0, abs=3.5 * sigma)


async def test_without_a_word_that_it_is_clear_a_full_one_says_so_and_nothing_turns():
    stage = _stage()
    for depth in ("full", "auto"):
        result = await stage.evening.handle("verify", {"depth": depth})
        assert result["verdict"] == "cannot_tell"
        assert "--clear" in result["remedy"]
        assert stage.evening.phase is Phase.IDLE
    assert stage.mount.slews == []
    assert not stage.gate.opened
    assert "verified_cannot_tell" in _events(stage)


async def _synced(stage):
    stage.evening._guard.mount._syncs += 1


async def _slewed(stage):
    stage.mount.declination += 4.0


async def _aged(stage):
    await stage.clock.sleep(13 * 3600.0)


async def _other_camera(stage):
    stage.camera.name = "Lapwing"


async def _other_scale(stage):
    stage.solver.scale_arcsec_px = 5.9


async def _slewing(stage):
    status = stage.mount.status

    async def moving():
        return replace(await status(), slewing=True)

    stage.mount.status = moving


async def _clouds(stage):
    stage.solver.clouds = 1000


@pytest.mark.parametrize(
    ("what", "code"),
    [
        (_synced, "synced_since"),
        (_slewed, "declination_moved"),
        (_aged, "survey_too_old"),
        (_other_camera, "optics_changed"),
        (_other_scale, "optics_changed"),
        (_slewing, "mount_moves"),
        (_clouds, "too_few_stars"),
    ],
)
async def test_what_a_look_cannot_see_through_is_told_with_what_to_do(what, code):
    stage = await _ready()
    await what(stage)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["verdict"] == "cannot_tell"
    assert result["moved"] is None
    assert result["code"] == code
    assert result["reason"]
    assert result["remedy"]
    assert not stage.gate.opened
    assert stage.mount.slews == []
    assert stage.evening.phase is Phase.IDLE


@pytest.mark.parametrize("what", [_synced, _slewed, _aged])
async def test_then_a_survey_answers_where_the_mount_may_move(what):
    stage = await _ready()
    await what(stage)
    await stage.evening.handle("confirm_clear", {})
    result = await stage.evening.handle("verify", {})
    assert (result["depth"], result["verdict"]) == ("full", "good_enough")
    assert result["moved"] is False
    assert len(stage.gate.opened) == 1


async def test_a_declination_axis_that_slipped_is_told_as_a_move_that_may_be_just_that():
    stage = await _ready(declination=-40.0)
    stage.mount.slip_arcsec = 240.0
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["moved"] is True
    assert result["verdict"] != "good_enough"
    assert "declination axis slipped" in result["reason"]


async def test_a_camera_that_was_turned_in_its_holder_is_told_as_what_it_may_be():
    stage = await _ready(declination=-40.0)
    straight = stage.mount.camera_enu
    turn = rotation_about(BORESIGHT, 6.0 * ARCMIN_RAD)
    stage.mount.camera_enu = lambda: straight() @ turn
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["moved"] is True
    assert result["verdict"] != "good_enough"
    assert "camera was turned" in result["reason"]


async def test_a_tube_on_the_other_side_of_the_pier_is_no_move_and_no_answer():
    """Round the pier the camera is turned by half a turn about its line of sight."""
    stage = _stage(declination=-50.0)
    _tell_side(stage, PierSide.WEST)
    await stage.surveyed()
    _tell_side(stage, PierSide.EAST)
    # Some mounts tell the side by the hour angle alone: agreement is agreement.
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["verdict"], result["moved"]) == ("good_enough", False)
    straight = stage.mount.camera_enu
    stage.mount.camera_enu = lambda: straight() @ rotation_about(BORESIGHT, math.pi)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["verdict"], result["moved"]) == ("cannot_tell", None)
    assert result["code"] == "other_pier_side"


def _tell_side(stage, side):
    status = stage.mount.__class__.status

    async def told():
        return replace(await status(stage.mount), pier_side=side)

    stage.mount.status = told


async def test_bolts_turned_in_an_adjustment_are_no_move():
    stage = _stage(head=_bolts(8.0, -5.0))
    await stage.surveyed()

    def turn_once(message):
        correction = message.get("correction")
        if correction and correction["sequence"] == 4:
            stage.mount.head = _bolts(0.3, 0.2)

    await stage.evening.handle("adjust", {"stop_when_good": True}, turn_once)
    stage.mount.slews.clear()
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["moved"], result["verdict"]) == (False, "good_enough")


async def test_an_axis_that_is_too_far_off_is_not_good_though_nothing_moved():
    stage = await _ready(head=_bolts(6.0, 2.0))
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["moved"], result["verdict"]) == (False, "not_yet")
    assert (
        "polewright adjust"
        in [body["remedy"] for topic, body, _ in stage.publisher.messages if topic == "event"][-1]
    )


async def test_a_look_too_coarse_for_the_tolerance_is_no_answer():
    wishes = replace(WISHES, tolerance_arcsec=15.0)
    stage = await _ready(wishes=wishes, head=_bolts(0.0, 0.0), declination=-30.0)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["verdict"], result["code"]) == ("cannot_tell", "too_coarse")
    assert result["frames"] == 3
    assert not stage.gate.opened


async def test_a_small_nudge_that_the_mount_tells_of_is_undone():
    stage = await _ready()
    stage.mount.declination += 0.1
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert (result["moved"], result["verdict"]) == (False, "good_enough")


async def test_one_frame_that_does_not_solve_costs_one_more():
    stage = await _ready()
    stage.solver.clouds = 1
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["verdict"] == "good_enough"


async def test_a_survey_that_fails_is_no_answer_and_does_not_block():
    stage = await _ready()
    await _slewed(stage)
    stage.solver.clouds = 1000
    result = await stage.evening.handle("verify", {})
    assert result["verdict"] == "cannot_tell"
    assert stage.evening.phase is Phase.IDLE


async def test_a_camera_that_fails_is_told_as_no_answer_and_blocks_as_ever():
    stage = await _ready()

    async def broken(exposure_s):
        raise DeviceError("the camera is silent", remedy="Check its cable.")

    stage.camera.expose = broken
    with pytest.raises(DeviceError):
        await stage.evening.handle("verify", {"depth": "quick"})
    assert stage.evening.phase is Phase.BLOCKED
    assert stage.publisher.last("schedule")["last"]["verdict"] == "cannot_tell"
    assert not stage.gate.opened


async def test_the_schedule_moves_nothing_unless_it_may_and_warns_before():
    stage = await _ready()
    await _slewed(stage)
    result = await stage.evening.handle("verify", {"scheduled": True})
    assert (result["verdict"], result["scheduled"]) == ("cannot_tell", True)
    assert stage.mount.slews == []
    may = replace(WISHES, schedule=ScheduleWish(may_move=True))
    stage = await _ready(wishes=may)
    await _slewed(stage)
    began_s = stage.clock.elapsed_s
    moved_s = []
    slew = stage.mount.slew_to

    async def noted(*there):
        moved_s.append(stage.clock.elapsed_s)
        await slew(*there)

    stage.mount.slew_to = noted
    result = await stage.evening.handle("verify", {"scheduled": True})
    assert result["depth"] == "full"
    assert moved_s[0] - began_s >= 30.0
    assert "schedule_moves" in _events(stage)
    # Allowed by the settings, but nobody said in this session that it is clear.
    fresh = _stage(wishes=may)
    result = await fresh.evening.handle("verify", {"scheduled": True})
    assert result["verdict"] == "cannot_tell"
    assert fresh.mount.slews == []


async def test_a_schedule_judges_by_the_settings_whatever_a_command_asked_for_before():
    strict = replace(WISHES, tolerance_arcsec=20.0)
    stage = await _ready(wishes=strict)
    by_hand = await stage.evening.handle("verify", {"depth": "quick", "tolerance_arcsec": 600.0})
    assert by_hand["verdict"] == "good_enough"
    stage.gate.opened.clear()
    by_schedule = await stage.evening.handle("verify", {"scheduled": True, "depth": "quick"})
    assert by_schedule["verdict"] != "good_enough"
    assert not stage.gate.opened


async def test_what_failed_before_keeps_no_verification_from_its_time():
    """Clouds, or a command that could not be: the state says blocked, and a look may be clear."""
    stage = _stage()
    with pytest.raises(PolewrightError):
        await stage.evening.handle("keep_watch", {})
    assert stage.evening.phase is Phase.BLOCKED
    assert stage.evening.unready() is None
    result = await stage.evening.handle("verify", {"scheduled": True})
    assert result["verdict"] == "cannot_tell"


async def test_a_survey_without_roll_leaves_nothing_to_a_look():
    wishes = replace(WISHES, survey=replace(WISHES.survey, use_roll=False, frames=5))
    stage = await _ready(wishes=wishes, declination=-30.0)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["code"] == "roll_untrusted"


async def test_a_longer_trust_in_a_survey_is_a_setting():
    wishes = replace(WISHES, schedule=ScheduleWish(survey_holds=timedelta(hours=48)))
    stage = await _ready(wishes=wishes)
    await _aged(stage)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["verdict"] == "good_enough"


async def test_stop_shuts_the_gate_too():
    stage = await _ready()
    await stage.evening.handle("stop", {})
    assert stage.gate.shuts == 1
