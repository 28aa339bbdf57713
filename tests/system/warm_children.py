"""What the nursery of the system tests forks: polewright's commands and services, and simulators.

Each begins where its program begins, with the arguments and the environment of its own.
"""

import asyncio
import gc
import importlib
import os
import pkgutil
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from astropy.utils.exceptions import AstropyWarning

import polewright.cli
from polewright.adapters.solver.catalogue import carried_catalogue
from polewright_drivers.indi.driver import serve
from polewright_drivers.sky_simulator.driver import SKY_VARIABLE, SkyDriver
from polewright_drivers.sky_simulator.scenario import Scenario
from polewright_drivers.sky_simulator.scenario_file import load
from polewright_drivers.sky_simulator.sky import julian_year
from polewright_drivers.sky_simulator.stars import Stars, load_stars

# What a service imports only when it is needed.
_LATE = (
    "polewright.session.evening", "polewright.app.service", "tetra3rs", "sep", "erfa",
    "scipy.optimize", "aiomqtt",
)  # fmt: skip

_stars: Stars | None = None


def read_ahead() -> None:
    """Read what every child would read anew: modules, both catalogues, the Earth's orientation."""
    global _stars
    warnings.simplefilter("ignore", AstropyWarning)
    commands = pkgutil.iter_modules(polewright.cli.__path__, "polewright.cli.")
    for name in (*_LATE, *(command.name for command in commands)):
        importlib.import_module(name)
    carried_catalogue()
    usual = Scenario()
    _stars = load_stars(_year(usual), usual.sky.faintest_mag)
    SkyDriver(usual, _stars).rig.prepare()
    gc.collect()
    gc.freeze()


def _year(scenario: Scenario) -> float:
    return julian_year(scenario.clock.start().timestamp())


def sky_driver(file: Path) -> SkyDriver:
    """Return the simulator of this sky, with the stars that were read before if they are its."""
    scenario, usual = load(file), Scenario()
    same = (
        scenario.clock.start() == usual.clock.start()
        and scenario.sky.faintest_mag == usual.sky.faintest_mag
    )
    driver = SkyDriver(scenario, _stars if same else None)
    driver.rig.prepare()
    return driver


def run_polewright(request: dict[str, Any]) -> int:
    """Be ``polewright`` with these arguments."""
    return polewright.cli.main(request["arguments"])


def run_sky(request: dict[str, Any]) -> int:
    """Be the sky simulator: on standard streams, or at a port of its own, which it tells."""
    port = request.get("port")
    driver = sky_driver(Path(os.environ[SKY_VARIABLE]))
    asyncio.run(serve(driver, host="127.0.0.1", port=port))
    return 0


ENTRIES: Mapping[str, Callable[[dict[str, Any]], int]] = {
    "polewright": run_polewright,
    "sky": run_sky,
}
