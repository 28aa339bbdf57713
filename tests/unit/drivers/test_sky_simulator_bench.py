"""What a rehearsal does behind the scene: the clock, and the filter on the objective."""

import asyncio
from datetime import datetime

import numpy as np
import pytest

from tests.unit.drivers.wire import devices, picture

MORNING = {"clock": {"start_utc": "2026-11-25T08:00:00"}, "sky": {"faintest_mag": 3.0}}


def told(wire) -> datetime:
    return datetime.fromisoformat(wire.last("TIME_UTC")["UTC"])


async def test_a_step_of_the_clock_is_seen_by_the_receiver_and_by_the_next_picture():
    async with devices(**MORNING) as wire:
        _, first = await picture(wire, 0.001)
        await wire.number("Kudu Bench", "CLOCK_STEP", FORWARD_S=3 * 3600.0)
        await wire.until("CLOCK_STEP", lambda e: e.get("state") == "Busy")
        await wire.until("CLOCK_STEP", lambda e: e.get("state") == "Ok")
        wire.said.clear()
        await wire.until("TIME_UTC", lambda e: e.tag == "setTextVector")
        assert told(wire).strftime("%H:%M") == "11:00"
        _, second = await picture(wire, 0.001)
        passed = datetime.fromisoformat(second["DATE-OBS"]) - datetime.fromisoformat(
            first["DATE-OBS"]
        )
        assert passed.total_seconds() == pytest.approx(3 * 3600.0, abs=10.0)


async def test_a_step_waits_for_the_shutter_and_does_not_tear_the_exposure():
    async with devices(**MORNING) as wire:
        await wire.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=0.5)
        await wire.number("Kudu Bench", "CLOCK_STEP", FORWARD_S=7200.0)
        await asyncio.sleep(0.2)
        assert not any(e.get("name") == "CLOCK_STEP" and e.get("state") == "Ok" for e in wire.said)
        await wire.until("CLOCK_STEP", lambda e: e.get("state") == "Ok")
        states = [
            (e.get("name"), e.get("state"))
            for e in wire.said
            if e.get("name") in ("CCD1", "CLOCK_STEP") and e.tag != "defBLOBVector"
        ]
        assert states[-1] == ("CLOCK_STEP", "Ok") or ("CLOCK_STEP", "Ok") in states
        message = await wire.until("CCD1", lambda e: e.tag == "setBLOBVector")
        assert message is not None


async def test_a_mount_that_tracks_goes_on_tracking_through_the_step():
    async with devices(**MORNING) as wire:
        await wire.switch("Kudu", "TELESCOPE_TRACK_STATE", "TRACK_ON")
        await asyncio.sleep(0.2)
        before = float(wire.last("EQUATORIAL_EOD_COORD")["RA"])
        await wire.number("Kudu Bench", "CLOCK_STEP", FORWARD_S=3600.0)
        await wire.until("CLOCK_STEP", lambda e: e.get("state") == "Ok")
        wire.said.clear()
        await wire.until("EQUATORIAL_EOD_COORD", lambda e: len(e) == 2)
        assert float(wire.last("EQUATORIAL_EOD_COORD")["RA"]) == pytest.approx(before, abs=1e-4)


@pytest.mark.parametrize(("name", "members"), [
    ("CLOCK_STEP", {"FORWARD_S": -1.0}),
    ("CLOCK_STEP", {"FORWARD_S": 1e9}),
    ("CLOCK_RATE", {"TIME_FACTOR": 0.0}),
    ("TRIPOD_LEANS", {"LEAN_ARCMIN": -1.0, "TOWARD_DEG": 0.0}),
    ("TRIPOD_LEANS", {"LEAN_ARCMIN": 3000.0, "TOWARD_DEG": 0.0}),
])  # fmt: skip
async def test_a_clock_that_goes_back_or_stands_and_a_tripod_that_falls_are_refused(name, members):
    async with devices(**MORNING) as wire:
        await wire.number("Kudu Bench", name, **members)
        refusal = await wire.until(name, lambda e: e.get("state") == "Alert")
        assert "outside" in refusal.get("message", "")


async def test_the_clock_takes_another_pace():
    async with devices(**MORNING) as wire:
        await wire.number("Kudu Bench", "CLOCK_RATE", TIME_FACTOR=600.0)
        await wire.until("CLOCK_RATE", lambda e: e.get("state") == "Ok" and e.tag[:3] == "set")
        wire.said.clear()
        await wire.until("TIME_UTC", lambda e: e.tag == "setTextVector")
        first = told(wire)
        wire.said.clear()
        await wire.until("TIME_UTC", lambda e: e.tag == "setTextVector")
        assert 300.0 < (told(wire) - first).total_seconds() < 6000.0


async def test_a_leg_that_sinks_moves_the_axis():
    async with devices(**MORNING) as wire:
        before = wire.last("SIMULATOR_TRUTH")
        await wire.number("Kudu Bench", "TRIPOD_LEANS", LEAN_ARCMIN=6.0, TOWARD_DEG=180.0)
        await wire.until("TRIPOD_LEANS", lambda e: e.get("state") == "Ok" and e.tag[:3] == "set")
        wire.said.clear()
        await wire.until("SIMULATOR_TRUTH", lambda e: len(e) > 2)
        after = wire.last("SIMULATOR_TRUTH")
        fell = float(before["TRUE_AXIS_ALT_DEG"]) - float(after["TRUE_AXIS_ALT_DEG"])
        assert fell * 60.0 == pytest.approx(6.0, abs=0.05), "toward the south, by as much"


async def test_the_filter_goes_on_and_off_for_the_exposures_that_follow():
    async with devices(**MORNING) as wire:
        assert wire.last("SOLAR_FILTER") == {"FILTER_ON": "Off", "FILTER_OFF": "On"}
        bare, _ = await picture(wire, 0.002)
        await wire.switch("Kudu Bench", "SOLAR_FILTER", "FILTER_ON")
        await wire.until("SOLAR_FILTER", lambda e: e.get("state") == "Ok" and e.tag[:3] == "set")
        assert wire.last("SOLAR_FILTER") == {"FILTER_ON": "On", "FILTER_OFF": "Off"}
        dark, _ = await picture(wire, 0.002)
        assert np.median(bare) > 20000, "the day's sky"
        assert np.median(dark) < 700


async def test_neither_bench_nor_sensor_can_be_taken_for_another_device():
    """Only bit 15 (auxiliary) of INDI's interfaces, and no property of a mount or camera."""
    async with devices(**MORNING) as wire:
        await wire.ask('<getProperties version="1.7"/>')
        for device in ("Kudu Bench", "Kudu Sensor"):
            names = {e.get("name") for e in wire.said if e.get("device") == device}
            assert not names & {
                "CCD_EXPOSURE", "EQUATORIAL_EOD_COORD", "EQUATORIAL_COORD",
                "PAC_MANUAL_ADJUSTMENT", "GEOGRAPHIC_COORD", "TIME_UTC",
            }  # fmt: skip
            info = wire.driver[device]["DRIVER_INFO"]
            assert int(info["DRIVER_INTERFACE"]) == 1 << 15
