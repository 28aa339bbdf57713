"""Simulators that are forked from one process which has read the catalogue and its libraries.

A simulator starts in two seconds of a processor, most of them for the same imports and stars.
Each one here is a process of its own all the same, with its own port and its own sky.
"""

import asyncio
import multiprocessing
import os
import warnings
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from multiprocessing.connection import Connection
from pathlib import Path

from astropy.utils.exceptions import AstropyWarning

from polewright_drivers.indi.driver import serve
from polewright_drivers.sky_simulator.driver import SkyDriver
from polewright_drivers.sky_simulator.scenario import Scenario
from polewright_drivers.sky_simulator.scenario_file import load
from polewright_drivers.sky_simulator.sky import julian_year
from polewright_drivers.sky_simulator.stars import Stars, load_stars

_ANNOUNCED = b"listening on "
_END_S = 10.0
_POLL_S = 0.05
_stars: Stars | None = None


def read_ahead() -> None:
    """Read the usual evening's stars, and the Earth's orientation, in the process that forks."""
    global _stars
    warnings.simplefilter("ignore", AstropyWarning)
    usual = Scenario()
    _stars = load_stars(julian_year(usual.clock.start().timestamp()), usual.sky.faintest_mag)
    SkyDriver(usual, _stars).rig.prepare()


def _be_the_sky(file: Path, told: Connection) -> None:
    """Serve one sky; its port is told as the program tells it, on standard output."""
    os.dup2(told.fileno(), 1)
    scenario, usual = load(file), Scenario()
    same = (
        scenario.clock.start() == usual.clock.start()
        and scenario.sky.faintest_mag == usual.sky.faintest_mag
    )
    driver = SkyDriver(scenario, _stars if same else None)
    driver.rig.prepare()
    asyncio.run(serve(driver, host="127.0.0.1", port=0))


@asynccontextmanager
async def warm_sky(file: Path, started_s: float) -> AsyncIterator[int]:
    """Run a simulator of this sky; yields its port."""
    forking = multiprocessing.get_context("forkserver")
    forking.set_forkserver_preload(["pytest", "tests.system.read_ahead"])
    hears, tells = forking.Pipe(duplex=False)
    process = forking.Process(target=_be_the_sky, args=(file, tells), daemon=True)
    process.start()
    tells.close()
    try:
        async with asyncio.timeout(started_s):
            line = b""
            while not line.endswith(b"\n"):
                while not hears.poll():  # noqa: ASYNC110 - a pipe, not one of this loop's streams
                    await asyncio.sleep(_POLL_S)
                line += os.read(hears.fileno(), 100)
                assert line, "the simulator ended"
        assert line.startswith(_ANNOUNCED)
        yield int(line.rsplit(b":", 1)[1])
    finally:
        hears.close()
        process.terminate()
        await asyncio.to_thread(process.join, _END_S)
        if process.is_alive():
            process.kill()
            await asyncio.to_thread(process.join, _END_S)
