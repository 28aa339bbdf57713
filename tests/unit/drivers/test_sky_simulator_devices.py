"""The four devices without a wire: requests in, messages out."""

import asyncio

import pytest

from polewright_drivers.indi.stream import ElementReader
from tests.unit.drivers.wire import devices, picture


async def test_a_colour_camera_of_eight_bits_says_so_and_delivers_it():
    async with devices(camera={"bayer_pattern": "RGGB", "bits": 8}) as wire:
        assert wire.last("CCD_CFA")["CFA_TYPE"] == "RGGB"
        assert float(wire.last("CCD_INFO")["CCD_BITSPERPIXEL"]) == 8.0
        pixels, header = await picture(wire, 0.05)
        assert pixels.dtype.itemsize == 1
        assert header["BITPIX"] == 8
        assert header["BAYERPAT"] == "RGGB"


async def test_a_mono_camera_has_no_colour_filters():
    async with devices() as wire:
        assert not any(e.get("name") == "CCD_CFA" for e in wire.said)
        _, header = await picture(wire, 0.05)
        assert "BAYERPAT" not in header


async def test_size_and_bytes_agree_when_the_frame_changes():
    """The library keeps the first picture's size unless it is told."""
    async with devices() as wire:
        whole, _ = await picture(wire, 0.01)
        await wire.number("Hoopoe", "CCD_FRAME", X=0, Y=0, WIDTH=64, HEIGHT=64)
        part, _ = await picture(wire, 0.01)
        assert whole.shape == (960, 1280)
        assert part.shape == (64, 64)


async def test_a_mount_that_starts_parked_refuses_a_go_to_until_it_is_unparked():
    async with devices(mount={"parked_at_start": True, "slew_rate_deg_s": 100.0}) as wire:
        assert wire.last("TELESCOPE_PARK") == {"PARK": "On", "UNPARK": "Off"}
        await wire.number("Kudu", "EQUATORIAL_EOD_COORD", RA=1.0, DEC=-60.0)
        refusal = await wire.until("EQUATORIAL_EOD_COORD", lambda e: e.get("state") == "Alert")
        assert "parked" in refusal.get("message", "")
        await wire.switch("Kudu", "TELESCOPE_PARK", "UNPARK")
        await wire.number("Kudu", "EQUATORIAL_EOD_COORD", RA=1.0, DEC=-60.0)
        await wire.until("EQUATORIAL_EOD_COORD", lambda e: e.get("state") == "Busy")
        await wire.until("EQUATORIAL_EOD_COORD", lambda e: e.get("state") == "Ok")


async def test_simulated_time_runs_at_its_pace_in_every_device():
    """At forty times the pace a 20 s exposure takes half a second, and DATE-OBS follows."""
    async with devices(clock={"time_factor": 40.0}) as wire:
        loop = asyncio.get_running_loop()
        _, first = await picture(wire, 0.1)
        began = loop.time()
        _, header = await picture(wire, 20.0)
        assert loop.time() - began < 10.0
        assert header["EXPTIME"] == 20.0
        assert header["DATE-OBS"] > first["DATE-OBS"]


async def test_a_second_exposure_replaces_the_first():
    async with devices() as wire:
        await wire.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=60.0)
        _, header = await picture(wire, 0.02)
        assert header["EXPTIME"] == 0.02


async def test_hands_slip_by_their_noise_and_the_truth_tells_it():
    """One turn is one degree on this bolt; 0.05 turns of noise miss it by under a quarter."""
    tables = {"hand_noise_turns": 0.05, "hand_rate_turns_s": 20.0}
    async with devices(bolts=tables) as wire:
        before = float(wire.last("SIMULATOR_TRUTH")["TRUE_AXIS_AZ_DEG"])
        await wire.number("Kudu Bolts", "HANDS", AZ_TURNS=1.0, ALT_TURNS=0.0)
        await wire.until("HANDS", lambda e: e.get("state") == "Ok")
        moved = float(wire.last("SIMULATOR_TRUTH")["TRUE_AXIS_AZ_DEG"]) - before
        assert moved == pytest.approx(1.0, abs=0.25)
        assert moved != pytest.approx(1.0, abs=1e-5)
        assert float(wire.last("SIMULATOR_TRUTH")["TRUE_ALT_ERROR_ARCMIN"]) == pytest.approx(0.0)


async def test_the_mounts_clock_and_site_can_be_told_otherwise():
    async with devices() as wire:
        ra_before = float(wire.last("EQUATORIAL_EOD_COORD")["RA"])
        await wire.number("Kudu", "GEOGRAPHIC_COORD", LAT=-32.4, LONG=37.7, ELEV=10.0)
        wire.said.clear()
        await wire.until("EQUATORIAL_EOD_COORD", lambda e: len(e) == 2)
        # Fifteen degrees further east is one hour more of sidereal time.
        assert float(wire.last("EQUATORIAL_EOD_COORD")["RA"]) - ra_before == pytest.approx(
            1.0, abs=0.001
        )
        await wire.ask(
            '<newTextVector device="Kudu" name="TIME_UTC">'
            '<oneText name="UTC">2026-11-25T21:00:00</oneText></newTextVector>'
        )
        await wire.until("TIME_UTC", lambda e: "21:00:0" in (e[0].text or ""))
        await wire.ask(
            '<newTextVector device="Kudu" name="TIME_UTC">'
            '<oneText name="UTC">teatime</oneText></newTextVector>'
        )
        await wire.until("TIME_UTC", lambda e: e.get("state") == "Alert")
        assert "20:00:0" in wire.driver["Kudu GPS"].time["UTC"], "the receiver knows better"


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_elements_are_cut_out_of_any_chunks(size):
    stream = (
        b'<getProperties version="1.7"/>\n<newNumberVector device="a" name="b">'
        b'<oneNumber name="c">1</oneNumber></newNumberVector><enableBLOB>Also</enableBLOB>'
    )
    reader = ElementReader()
    seen = [
        element
        for start in range(0, len(stream), size)
        for element in reader.feed(stream[start : start + size])
    ]
    assert [e.tag for e in seen] == ["getProperties", "newNumberVector", "enableBLOB"]
    assert seen[1][0].text == "1"
    assert seen[2].text == "Also"
