"""What is told where plans, cameras and doubts change between a measurement and its verdict."""

import asyncio
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from polewright.core.axis.axis_watch import AxisWatch
from polewright.core.axis.guide_watch import GuideStar, GuideWatch
from polewright.core.errors import LinkError, PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, enu_from_altaz
from polewright.core.geometry.rotations import rotation_from_vector
from tests.bench.watch import Night, simulated
from tests.session.ports_in_memory import NIGHT, TERRACE, MemoryCamera
from tests.session.test_evening import Stage, _bolts
from tests.session.test_verifying import WISHES, _ready

GONE = LinkError("the link broke", remedy="Wait.")
_AXIS = enu_from_altaz(np.radians(32.4), np.pi)
_SURE = np.eye(2) * (15.0 * ARCSEC_RAD) ** 2


async def test_a_plan_set_in_a_look_is_what_the_look_is_judged_by():
    stage = await _ready()
    looking, frame_comes = asyncio.Event(), asyncio.Event()
    expose = stage.camera.expose

    async def exposed(exposure_s):
        looking.set()
        await frame_comes.wait()
        return await expose(exposure_s)

    stage.camera.expose = exposed
    verifying = asyncio.create_task(stage.evening.handle("verify", {"depth": "quick"}))
    await looking.wait()
    memory = stage.evening._memory
    memory.wishes = replace(memory.wishes, tolerance_arcsec=5.0)  # as a plan does
    frame_comes.set()
    result = await verifying
    assert result["tolerance_arcmin"] == pytest.approx(5.0 / 60.0, abs=1e-3)
    assert result["verdict"] != "good_enough"
    assert not stage.gate.opened


async def test_live_figures_go_by_a_plan_that_was_set_meanwhile():
    stage = Stage(wishes=replace(WISHES, tolerance_arcsec=600.0), head=_bolts(3.0, -2.0))
    await stage.surveyed()
    told, three = [], asyncio.Event()

    def take(message):
        if "correction" in message:
            told.append(message["correction"])
            if len(told) == 3:
                memory = stage.evening._memory
                memory.wishes = replace(memory.wishes, tolerance_arcsec=5.0)
            if len(told) >= 6:
                three.set()

    expose = stage.camera.expose

    async def exposed(exposure_s):
        await asyncio.sleep(0)
        return await expose(exposure_s)

    stage.camera.expose = exposed
    adjusting = asyncio.create_task(stage.evening.handle("adjust", {}, take))
    await asyncio.wait_for(three.wait(), 20.0)
    await stage.evening.handle("stop", {})
    await adjusting
    assert told[2]["verdict"] == "good_enough"
    assert told[5]["tolerance_arcmin"] == pytest.approx(5.0 / 60.0, abs=1e-3)
    assert told[5]["verdict"] != "good_enough"


async def test_figures_are_taken_off_as_live_when_the_service_stumbles():
    stage = await _ready()
    seen = []

    def take(message):
        if "correction" in message:
            seen.append(message)
            raise ZeroDivisionError

    with pytest.raises(ExceptionGroup):
        await stage.evening.handle("adjust", {}, take)
    assert seen
    assert stage.publisher.last("correction")["live"] is False


async def test_another_camera_than_at_the_survey_is_not_adjusted_by():
    stage = await _ready()
    stage.evening.detach(GONE)
    stage.evening.attach(MemoryCamera(stage.clock, name="Lapwing"), stage.mount, TERRACE)
    with pytest.raises(PolewrightError) as caught:
        await stage.evening.handle("adjust", {"stop_when_good": True})
    assert caught.value.code == "optics_changed"


async def test_another_scale_than_at_the_survey_is_not_adjusted_by():
    stage = await _ready()
    stage.evening.detach(GONE)
    stage.solver.scale_arcsec_px = 5.5
    stage.evening.attach(stage.camera, stage.mount, TERRACE)
    asked = stage.evening.handle("adjust", {"stop_when_good": True})
    with pytest.raises(PolewrightError) as caught:
        await asyncio.wait_for(asked, 20.0)
    assert caught.value.code == "optics_changed"


@pytest.mark.parametrize("who", ["watch", "look"])
async def test_what_was_seen_to_move_is_not_forgotten_over_an_adjustment(who):
    """Live figures go by the same picture: camera and declination may be what moved."""
    stage = await _ready()
    memory = stage.evening._memory
    if who == "watch":
        memory.axis = replace(memory.axis, doubtful=True)
    else:
        memory.axis, memory.doubted = None, memory.axis
    await stage.evening.handle("adjust", {"stop_when_good": True})
    look = await stage.evening.handle("verify", {"depth": "quick"})
    assert (look["verdict"], look["code"]) == ("cannot_tell", "axis_not_seen_since")
    assert not stage.gate.opened


async def test_an_axis_that_a_sensor_saw_to_a_degree_vouches_for_no_camera():
    """Bolts were turned by a sensor since the survey, and the camera was knocked meanwhile."""
    stage = await _ready(wishes=replace(WISHES, tolerance_arcsec=300.0))
    memory, mount = stage.evening._memory, stage.mount
    memory.axis = replace(
        memory.axis,
        covariance_rad2=np.eye(2) * np.radians(1.0) ** 2,
        instant=stage.clock.now(),
    )
    shown = mount.camera_enu() @ memory.survey.axis_camera
    mount.slip_arcsec = 420.0
    knocked = mount.camera_enu() @ memory.survey.axis_camera
    mount.head = rotation_from_vector(np.cross(knocked, shown)) @ mount.head
    assert stage.true_total_arcmin() > 6.0  # and 5 are allowed
    look = await stage.evening.handle("verify", {"depth": "quick"})
    assert (look["verdict"], look["moved"]) == ("cannot_tell", None)
    assert not stage.gate.opened


def _set_back(frames, hours):
    """The frames as a computer dates them whose clock was set back before they were taken."""
    back = timedelta(hours=hours)
    return [
        replace(one, observed=replace(one.observed, instant=one.observed.instant - back))
        for one in frames
    ]


def _night_with_a_bump(seed):
    night = Night(bump_rad=ARCMIN_RAD, recentring=False)
    frames, axis, bumped, _ = simulated(np.random.default_rng(seed), night)
    return frames, AxisWatch(axis_enu=axis, covariance_rad2=_SURE, south=True), bumped


async def test_a_watch_is_not_blind_after_a_clock_that_was_set_back():
    told = 0
    for seed in range(3000, 3004):
        frames, watch, bumped = _night_with_a_bump(seed)
        set_at = bumped - 8
        for one in frames[:set_at]:
            assert watch.see(one) is None
        told += any(watch.see(one) for one in _set_back(frames[set_at:], 12.0))
    assert told == 4


async def test_frames_that_come_late_are_passed_over_and_a_bump_is_told_all_the_same():
    frames, watch, bumped = _night_with_a_bump(3000)
    assert bumped > 8
    late = [*frames[: bumped - 2], *frames[bumped - 6 : bumped - 4], *frames[bumped - 2 :]]
    found = [watch.see(one) for one in late]
    assert not any(found[: bumped - 2])
    assert any(found[bumped:])


def test_guide_offsets_are_heard_after_a_clock_that_was_set_back():
    watch = GuideWatch(axis_enu=_AXIS, covariance_rad2=_SURE, south=True)

    def star(second, north_arcsec):
        return GuideStar(
            instant=NIGHT + timedelta(seconds=second),
            north_rad=north_arcsec * ARCSEC_RAD,
            direction_enu=enu_from_altaz(0.8, 0.3),
            left_alone=True,
        )

    for n in range(30):
        assert watch.see(star(4.0 * n, 0.3 * (-1) ** n)) is None
    after = -3600.0
    found = [watch.see(star(after + 4.0 * n, 0.3 * (-1) ** n)) for n in range(20)]
    found += [watch.see(star(after + 4.0 * n, 90.0 + 0.3 * (-1) ** n)) for n in range(20, 40)]
    assert not any(found[:20])
    assert any(found[20:])
