"""Driver: the program ``polewright-sky-simulator``."""

import argparse
import asyncio
import logging
import os
import sys
import warnings
from pathlib import Path

from astropy.utils.exceptions import AstropyWarning

from polewright_drivers.indi.driver import Driver, add_serving_options, serve
from polewright_drivers.sky_simulator.bench import Bench
from polewright_drivers.sky_simulator.bolts import Bolts
from polewright_drivers.sky_simulator.camera import Camera
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.gps import Gps
from polewright_drivers.sky_simulator.hand import Hand
from polewright_drivers.sky_simulator.mount import Mount
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import SITES, Scenario, ScenarioError
from polewright_drivers.sky_simulator.scenario_file import from_tables, load
from polewright_drivers.sky_simulator.sensor import Sensor
from polewright_drivers.sky_simulator.simulated_clock import SimulatedClock
from polewright_drivers.sky_simulator.stars import Stars

SKY_VARIABLE = "POLEWRIGHT_SKY"


class SkyDriver(Driver):
    """The devices of the scenario over one rig.

    Parameters
    ----------
    scenario : Scenario
        The hidden truths.
    stars : Stars, optional
        The catalogue of the evening's date, where it was read before.
    """

    def __init__(self, scenario: Scenario, stars: Stars | None = None) -> None:
        clock = SimulatedClock(scenario.clock)
        self.rig = Rig(scenario, clock.now_unix_s, stars)
        kind = scenario.mount.kind
        devices: list[SimulatedDevice] = [] if kind == "none" else [Mount(self.rig)]
        devices += [Camera(self.rig, clock), Gps(self.rig), Bolts(self.rig)]
        if kind in ("tracker", "none"):
            devices.append(Hand(self.rig))
        if scenario.sensor.fitted:
            devices.append(Sensor(self.rig))
        # Last: a step of the clock is seen by every device at once, from the next tick on.
        devices.append(Bench(self.rig, clock))
        super().__init__(devices)

    def advance(self) -> None:
        """Bring the rig up to now."""
        self.rig.advance()


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
    add_serving_options(out)
    out.add_argument(
        "--sky", metavar="FILE", help=f"hidden truths, TOML; also by the variable {SKY_VARIABLE}"
    )
    out.add_argument("--seed", type=int, help="draw a misaligned mount from this number")
    out.add_argument("--site", choices=sorted(SITES), help="where it stands")
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
    driver = SkyDriver(scenario)
    driver.rig.prepare()
    try:
        asyncio.run(
            serve(
                driver,
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
