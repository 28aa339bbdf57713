"""The drift check over in-memory ports: by stars at night, by the Sun by day."""

import math
from dataclasses import replace

import pytest

from polewright.core.errors import MeasurementError, SafetyError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between
from polewright.core.sky.observed import pole_enu
from polewright.session.phases import Phase
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import TERRACE, YARD, MemoryMount
from tests.session.test_evening import Stage, _bolts
from tests.session.test_sighting import Day


class TrackingStage(Stage):
    """The mount in memory stands still over the ground; this one turns with the sky."""

    def __init__(self, place, *, wishes, **of_mount):
        super().__init__(place, wishes=wishes, **of_mount)
        self.mount.__class__ = TrackingMount
        self.mount.start_s = self.clock.elapsed_s


class TrackingMount(MemoryMount):
    def camera_enu(self):
        still, turned = self.hour_angle, self.clock.elapsed_s - self.start_s
        self.hour_angle = still + turned * 360.0 / 86164.0905
        try:
            return super().camera_enu()
        finally:
            self.hour_angle = still

    async def status(self):
        # What it tells turns with the sky, too.
        turned = (self.clock.elapsed_s - self.start_s) * 360.0 / 86164.0905
        told = await super().status()
        if not math.isfinite(turned):
            return told
        return replace(told, right_ascension_deg=told.right_ascension_deg - turned)

    def knock(self, arcmin):
        self.head = _bolts(arcmin, 0.0) @ self.head


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
async def test_one_field_tells_the_axis_without_a_survey_and_without_a_slew(place):
    stage = TrackingStage(
        place,
        wishes=EveningWishes(tolerance_arcsec=240.0),
        head=_bolts(12.0, -7.0),
        declination=-30.0 if place.south else 30.0,
        hour_angle=40.0,
    )
    result = await stage.evening.handle("drift", {"minutes": 40.0, "exposure_s": 1.0})
    assert result["verdict"] == "not_yet"
    off = result["total_error_arcmin"] - stage.true_total_arcmin()
    assert abs(off) < 2.5 * result["total_error_sigma_arcmin"]
    assert result["total_error_sigma_arcmin"] < 2.5
    assert not stage.mount.slews
    assert stage.evening.phase is Phase.IDLE
    told = [payload for topic, payload, _ in stage.publisher.messages if topic == "correction"]
    live = [message for message in told if message["live"]]
    assert {message["method"] for message in live} == {"drift"}
    sigmas = [message["total_error_sigma_arcmin"] for message in live]
    assert sigmas[-1] < 0.2 * sigmas[0]
    assert told[-1]["live"] is False


async def test_it_says_what_this_place_hides_and_how_long_it_takes():
    stage = TrackingStage(
        TERRACE, wishes=EveningWishes(), head=_bolts(12.0, -7.0), declination=-30.0, hour_angle=0.0
    )
    told = []
    await stage.evening.handle(
        "drift", {"minutes": 6.0, "exposure_s": 1.0}, lambda message: told.append(message["step"])
    )
    assert any("azimuth sure to" in words and "in about" in words for words in told)
    assert any("altitude" in words and "toward the east or the west" in words for words in told)


async def test_a_knock_begins_the_check_anew_and_is_told():
    stage = TrackingStage(TERRACE, wishes=EveningWishes(), declination=-30.0, hour_angle=40.0)
    knocked = []

    def progress(message):
        if "correction" in message and not knocked:
            stage.mount.knock(3.0)
            knocked.append(message["correction"])

    result = await stage.evening.handle("drift", {"minutes": 15.0, "exposure_s": 1.0}, progress)
    events = [payload for topic, payload, _ in stage.publisher.messages if topic == "event"]
    assert "drift_disturbed" in {event["code"] for event in events}
    off = result["total_error_arcmin"] - stage.true_total_arcmin()
    assert abs(off) < 2.5 * result["total_error_sigma_arcmin"]


async def test_a_mount_that_stands_still_is_refused():
    stage = Stage(declination=-30.0)
    status = stage.mount.status

    async def standing():
        return replace(await status(), tracking=False)

    stage.mount.status = standing
    with pytest.raises(MeasurementError) as refused:
        await stage.evening.handle("drift", {})
    assert refused.value.code == "not_tracking"


async def test_by_day_the_sun_tells_one_component_after_a_sight():
    day = Day()
    with pytest.raises(UsageError) as refused:
        await day.evening.handle("drift", {"by": "bodies"})
    assert refused.value.code == "no_sights"
    await day.ready()
    await day.evening.handle("sight", {"body": "sun"})
    result = await day.evening.handle("drift", {"by": "bodies", "minutes": 12.0})
    true = angle_between(day.mount.axis_enu(), pole_enu(TERRACE, refracted=True)) / ARCMIN_RAD
    sigma = result["total_error_sigma_arcmin"]
    assert abs(result["total_error_arcmin"] - true) < 2.5 * sigma
    live = [
        message
        for topic, message, _ in day.publisher.messages
        if topic == "correction" and message["live"]
    ][-1]
    sigmas = live["altitude_error_sigma_arcmin"], live["azimuth_error_sigma_arcmin"]
    assert min(sigmas) < 20.0
    await day.evening.handle("confirm_solar_filter", {"camera": "Hoopoe", "fitted": False})
    with pytest.raises(SafetyError) as unsafe:
        await day.evening.handle("drift", {"by": "bodies"})
    assert unsafe.value.code == "no_solar_filter"
