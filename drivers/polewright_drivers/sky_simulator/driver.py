"""Driver: the program ``polewright-sky-simulator``."""

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import sys
import warnings
from pathlib import Path
from typing import Any

from astropy.utils.exceptions import AstropyWarning
from indipydriver import IPyDriver

from polewright_drivers.sky_simulator.bolts import Bolts
from polewright_drivers.sky_simulator.camera import Camera
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.gps import Gps
from polewright_drivers.sky_simulator.hand import Hand
from polewright_drivers.sky_simulator.mount import Mount
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import (
    SITES,
    Scenario,
    ScenarioError,
    from_tables,
    load,
)
from polewright_drivers.sky_simulator.server import LoopbackServer
from polewright_drivers.sky_simulator.simulated_clock import SimulatedClock
from polewright_drivers.sky_simulator.stdio import StandardStreams

logger = logging.getLogger(__name__)

SKY_VARIABLE = "POLEWRIGHT_SKY"
_TICK_S = 0.05
"""Devices look at the rig this often (host s); the place is published every fourth time."""


class SkyDriver(IPyDriver):  # type: ignore[misc]  # indipydriver is untyped
    """The devices of the scenario over one rig.

    Parameters
    ----------
    scenario : Scenario
        The hidden truths.
    """

    def __init__(self, scenario: Scenario) -> None:
        clock = SimulatedClock(scenario.clock)
        self.rig = Rig(scenario, clock.now_unix_s)
        kind = scenario.mount.kind
        self._own: list[SimulatedDevice] = [] if kind == "none" else [Mount(self.rig)]
        self._own += [Camera(self.rig, clock), Gps(self.rig), Bolts(self.rig)]
        if kind in ("tracker", "none"):
            self._own.append(Hand(self.rig))
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

    async def hardware(self) -> None:
        """Let time pass."""
        while not self.stop:
            self.rig.advance()
            for device in self._own:
                await device.tick()
            await asyncio.sleep(_TICK_S)


async def serve(
    scenario: Scenario, *, host: str, port: int | None, until_input_ends: bool = False
) -> None:
    """Run until the server goes (standard streams) or a signal comes.

    Parameters
    ----------
    scenario : Scenario
        The hidden truths.
    host, port : str, int or None
        Where to serve INDI; None: on the standard streams, under an indiserver.
    until_input_ends : bool
        With a port: end when the standard input does, as it does when whoever started this dies.
    """
    driver = SkyDriver(scenario)
    driver.rig.prepare()
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


def _end_with_input(driver: SkyDriver) -> None:
    if not os.read(sys.stdin.fileno(), 4096):
        asyncio.get_running_loop().remove_reader(sys.stdin.fileno())
        driver.end()


def scenario_of(arguments: argparse.Namespace) -> Scenario:
    """Return the scenario that the command line and the environment ask for.

    Raises
    ------
    ScenarioError
        It cannot be read or is impossible.
    """
    path = arguments.sky or os.environ.get(SKY_VARIABLE)
    if path:
        return load(Path(path), seed=arguments.seed, site=arguments.site)
    return from_tables({}, seed=arguments.seed, site=arguments.site)


def parser() -> argparse.ArgumentParser:
    """Return the command line's grammar."""
    out = argparse.ArgumentParser(
        prog="polewright-sky-simulator",
        description="A mount, its camera, its GPS and its bolts under a real star catalogue, as "
        "INDI devices.  Without --port it speaks INDI on its standard streams, as indiserver "
        "expects of a driver.",
    )
    out.add_argument("--port", type=int, help="serve INDI on this port (0: a free one)")
    out.add_argument("--host", default="127.0.0.1", help="address to serve on")
    out.add_argument(
        "--sky", metavar="FILE", help=f"hidden truths, TOML; also by the variable {SKY_VARIABLE}"
    )
    out.add_argument("--seed", type=int, help="draw a misaligned mount from this number")
    out.add_argument("--site", choices=sorted(SITES), help="where it stands")
    out.add_argument(
        "--until-input-ends",
        action="store_true",
        help="with --port: end when the standard input ends, so as not to outlive the caller",
    )
    out.add_argument("--verbose", action="store_true", help="log more")
    return out


def main() -> None:
    """Run the driver."""
    arguments = parser().parse_args()
    logging.basicConfig(
        level=logging.INFO if arguments.verbose else logging.WARNING,
        format="%(name)s: %(message)s",
        stream=sys.stderr,
    )
    warnings.simplefilter("ignore", AstropyWarning)
    try:
        scenario = scenario_of(arguments)
    except ScenarioError as trouble:
        sys.stderr.write(f"polewright-sky-simulator: {trouble}\n")
        raise SystemExit(2) from None
    try:
        asyncio.run(
            serve(
                scenario,
                host=arguments.host,
                port=arguments.port,
                until_input_ends=arguments.until_input_ends,
            )
        )
    except OSError as trouble:
        sys.stderr.write(f"polewright-sky-simulator: {trouble}\n")
        raise SystemExit(3) from None


if __name__ == "__main__":
    main()
