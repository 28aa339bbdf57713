"""What the nursery's children are: the service, and the sky simulator as an INDI driver."""

import argparse
import asyncio
import gc
import importlib
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from astropy.utils.exceptions import AstropyWarning

from polewright.adapters.solver.catalogue import carried_catalogue
from polewright.cli import service
from polewright.cli.output import Output
from polewright.core.errors import PolewrightError
from polewright_drivers.indi.driver import serve
from polewright_drivers.sky_simulator.driver import SkyDriver
from polewright_drivers.sky_simulator.scenario import Scenario
from polewright_drivers.sky_simulator.scenario_file import load
from polewright_drivers.sky_simulator.sky import julian_year
from polewright_drivers.sky_simulator.stars import Stars, load_stars
from tests.faults.kept_sky import KeptSkyDriver
from tests.faults.stepped_clock import FastClock, SteppedClock

# What a service imports only when it is needed.
_LATE = ("polewright.session.evening", "tetra3rs", "sep", "erfa", "scipy.optimize", "aiomqtt")

_stars: Stars | None = None


def read_ahead() -> None:
    """Read what every child would read anew."""
    global _stars
    warnings.simplefilter("ignore", AstropyWarning)
    for name in _LATE:
        importlib.import_module(name)
    carried_catalogue()
    evening = Scenario()
    _stars = load_stars(julian_year(evening.clock.start().timestamp()), evening.sky.faintest_mag)
    SkyDriver(evening, _stars).rig.prepare()
    gc.collect()
    gc.freeze()


def run_service(request: dict[str, Any]) -> int:
    """Be ``polewright run`` with a clock that can be stepped."""
    options = argparse.Namespace(config=Path(request["config"]), verbose=False, json=False)
    clock = (
        FastClock(request["factor"])
        if "factor" in request
        else SteppedClock(Path(request["clock_file"]))
    )
    output = Output(as_json=False)
    try:
        return int(service.run(options, output, clock))
    except PolewrightError as trouble:
        print(f"refused: {trouble}", flush=True)
        return 3


def run_driver(request: dict[str, Any]) -> int:
    """Be the sky simulator on the standard streams."""
    warnings.simplefilter("ignore", AstropyWarning)
    scenario = load(Path(request["sky"]))
    driver = KeptSkyDriver(scenario, _stars, Path(request["folder"]))
    asyncio.run(serve(driver, host="", port=None))
    return 0


ENTRIES: Mapping[str, Callable[[dict[str, Any]], int]] = {
    "service": run_service,
    "driver": run_driver,
}
