"""A driver's devices without a wire: requests in, messages out."""

import asyncio
import base64
import io
import xml.etree.ElementTree as ET
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from astropy.io import fits

from polewright_drivers.indi.driver import Driver
from polewright_drivers.sky_simulator.driver import SkyDriver
from polewright_drivers.sky_simulator.scenario_file import from_tables

WAIT_S = 10.0


class Wire:
    """Carries elements for a driver and keeps what it says."""

    def __init__(self, driver: Driver) -> None:
        self.driver = driver
        self.said: list[ET.Element] = []
        self._news = asyncio.Event()

    async def run_rx(self) -> None:
        await self.driver.shutdownrequested.wait()

    async def run_tx(self, element: ET.Element) -> None:
        self.said.append(element)
        self._news.set()

    def shutdown(self) -> None:
        self._news.set()

    async def ask(self, text: str) -> None:
        await self.driver.receive(ET.fromstring(text))

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
    async with wired(driver) as wire:
        for device in driver:
            await wire.switch(device, "CONNECTION", "CONNECT")
        yield wire


@asynccontextmanager
async def wired(driver: Driver) -> AsyncIterator[Wire]:
    """Run a driver."""
    wire = Wire(driver)
    driver.carry_by(wire)
    running = asyncio.create_task(driver.asyncrun())
    try:
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
