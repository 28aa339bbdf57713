"""The four devices without a wire: requests in, messages out."""

import asyncio
import base64
import io
import xml.etree.ElementTree as ET
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from astropy.io import fits

from polewright_drivers.indi.stream import ElementReader
from polewright_drivers.sky_simulator.driver import SkyDriver
from polewright_drivers.sky_simulator.scenario_file import from_tables

WAIT_S = 10.0


class Wire:
    """Carries elements for a driver and keeps what it says."""

    def __init__(self, driver: SkyDriver) -> None:
        self._driver = driver
        self.said: list[ET.Element] = []
        self._news = asyncio.Event()

    async def run_rx(self) -> None:
        await self._driver.shutdownrequested.wait()

    async def run_tx(self, element: ET.Element) -> None:
        self.said.append(element)
        self._news.set()

    def shutdown(self) -> None:
        self._news.set()

    async def ask(self, text: str) -> None:
        await self._driver.receive(ET.fromstring(text))

    async def switch(self, device: str, name: str, member: str) -> None:
        await self.ask(
            f'<newSwitchVector device="{device}" name="{name}">'
            f'<oneSwitch name="{member}">On</oneSwitch></newSwitchVector>'
        )

    async def number(self, device: str, name: str, **members: float) -> None:
        inner = "".join(f'<oneNumber name="{n}">{v!r}</oneNumber>' for n, v in members.items())
        await self.ask(
            f'<newNumberVector device="{device}" name="{name}">{inner}</newNumberVector>'
        )

    async def until(self, name: str, ready: Callable[[ET.Element], bool]) -> ET.Element:
        """Return the first message about a property that is as wanted, from now on or before."""

        async def search() -> ET.Element:
            at = 0
            while True:
                while at < len(self.said):
                    element = self.said[at]
                    at += 1
                    if element.get("name") == name and ready(element):
                        return element
                self._news.clear()
                await self._news.wait()

        return await asyncio.wait_for(search(), WAIT_S)

    def last(self, name: str) -> dict[str, str]:
        """Return the newest values of a property."""
        element = next(e for e in reversed(self.said) if e.get("name") == name and len(e))
        return {member.get("name", ""): (member.text or "").strip() for member in element}


@asynccontextmanager
async def devices(**tables: Any) -> AsyncIterator[Wire]:
    driver = SkyDriver(from_tables({"mount": {"slew_rate_deg_s": 100.0}, **tables}))
    wire = Wire(driver)
    driver.carry_by(wire)
    running = asyncio.create_task(driver.asyncrun())
    try:
        for device in ("Kudu", "Hoopoe", "Kudu GPS", "Kudu Bolts"):
            await wire.switch(device, "CONNECTION", "CONNECT")
        yield wire
    finally:
        driver.end()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def picture(wire: Wire, exposure_s: float) -> Any:
    wire.said.clear()
    await wire.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=exposure_s)
    message = await wire.until("CCD1", lambda e: e.tag == "setBLOBVector")
    content = base64.b64decode(message[0].text or "")
    assert int(message[0].get("size", "0")) == len(content)
    with fits.open(io.BytesIO(content)) as opened:
        return opened[0].data.copy(), opened[0].header.copy()


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
    """At ten times the pace a 5 s exposure takes half a second, and DATE-OBS follows."""
    async with devices(clock={"time_factor": 10.0}) as wire:
        loop = asyncio.get_running_loop()
        _, first = await picture(wire, 0.1)
        began = loop.time()
        _, header = await picture(wire, 5.0)
        assert loop.time() - began < 3.0
        assert header["EXPTIME"] == 5.0
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
        assert "20:00:0" in wire._driver["Kudu GPS"].time["UTC"], "the receiver knows better"


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
