"""Driver: devices that are served on the standard streams or on a port of their own."""

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from typing import Any

from indipydriver import IPyDriver

from polewright_drivers.indi.device import DriverDevice
from polewright_drivers.indi.server import LoopbackServer
from polewright_drivers.indi.stdio import StandardStreams

TICK_S = 0.05
"""Devices look at what they stand for this often (host s)."""


class Driver(IPyDriver):  # type: ignore[misc]  # indipydriver is untyped
    """Some devices and the time that passes for them.

    Parameters
    ----------
    devices : sequence of DriverDevice
        What is served.
    """

    def __init__(self, devices: Sequence[DriverDevice]) -> None:
        self._own = list(devices)
        super().__init__(*self._own)

    def carry_by(self, transport: Any) -> None:
        """Use a transport in place of the library's own."""
        self._commsobj = transport

    async def receive(self, element: Any) -> None:
        """Take one element from a client."""
        await self._readdata(element)

    def end(self) -> None:
        """End the driver now."""
        self.shutdown()

    async def rxevent(self, event: Any) -> None:
        """Hand a client's request to its device."""
        await self[event.devicename].handle(event)

    def advance(self) -> None:
        """Bring what the devices stand for up to date, before they look at it."""

    async def hardware(self) -> None:
        """Let time pass; at the end the devices let go of what they hold."""
        try:
            while not self.stop:
                self.advance()
                for device in self._own:
                    await device.tick()
                await asyncio.sleep(TICK_S)
        finally:
            for device in self._own:
                if device.connected:
                    await device.disconnecting()


def add_serving_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how a driver is reached."""
    parser.add_argument("--port", type=int, help="serve INDI on this port (0: a free one)")
    parser.add_argument("--host", default="127.0.0.1", help="address to serve on")
    parser.add_argument(
        "--until-input-ends",
        action="store_true",
        help="with --port: end when the standard input ends, so as not to outlive the caller",
    )
    parser.add_argument("--verbose", action="store_true", help="log more")


async def serve(
    driver: Driver, *, host: str, port: int | None, until_input_ends: bool = False
) -> None:
    """Run until the server goes (standard streams) or a signal comes.

    Parameters
    ----------
    driver : Driver
        What is served.
    host, port : str, int or None
        Where to serve INDI; None: on the standard streams, under an indiserver.
    until_input_ends : bool
        With a port: end when the standard input does, as it does when whoever started this dies.
    """
    if port is None:
        driver.carry_by(StandardStreams(driver))
    else:
        server = LoopbackServer(driver)
        bound = await server.listen(host, port)
        driver.carry_by(server)
        sys.stdout.write(f"listening on {host}:{bound}\n")
        sys.stdout.flush()
    running = asyncio.create_task(driver.asyncrun())
    asked_to_end = asyncio.create_task(driver.shutdownrequested.wait())
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, driver.end)
    if port is not None and until_input_ends:
        loop.add_reader(sys.stdin.fileno(), _end_with_input, driver)
    await asyncio.wait({running, asked_to_end}, return_when=asyncio.FIRST_COMPLETED)
    asked_to_end.cancel()
    if running.done():
        await running
        return
    # The library's own background loops only look once a second whether they should stop.
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running


def _end_with_input(driver: Driver) -> None:
    if not os.read(sys.stdin.fileno(), 4096):
        asyncio.get_running_loop().remove_reader(sys.stdin.fileno())
        driver.end()
