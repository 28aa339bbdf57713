"""The processes of one evening: stock indiserver, sky simulator, mosquitto, and the service."""

import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import BOLTS_DEVICE, read_truth
from tests.system.commands import LONGEST_S, Ended
from tests.system.indi_servers import indi_server
from tests.system.mqtt_brokers import Mosquitto
from tests.system.warm_processes import polewright, running, service, simulator_door

SIMULATOR = Path(sys.executable).with_name("polewright-sky-simulator")
# How long a process may take until it serves: seconds, but far more on a busy machine (s).
STARTED_S = 60.0

_SETTINGS = """
[site]
clock = "{clock}"
[mount]
slug = "kudu"
device = "Kudu"
[camera]
device = "Hoopoe"
exposure_s = 0.2
[indi]
port = {indi_port}
[mqtt]
mode = "{mode}"
port = {mqtt_port}
{more}
"""
SHORT_SURVEY = """
[survey]
frames = 3
sweep_deg = 45.0
settle_s = 0.2
"""
NO_PAGE = """
[page]
mode = "off"
"""


def settings_text(
    *,
    indi_port: int,
    mqtt_port: int,
    mode: str = "external",
    clock: str = "gps",
    more: str = SHORT_SURVEY,
) -> str:
    """Settings of a service for the simulator's devices; ``more`` are further sections."""
    return _SETTINGS.format(
        indi_port=indi_port, mqtt_port=mqtt_port, mode=mode, clock=clock, more=more
    )


# The usual field, with a quarter of the pixels to draw, send and search, and as much light in
# 0.2 s as the usual camera collects in 0.5 s on the same piece of the chip.
_QUICK_CAMERA = """[camera]
width_px = 640
height_px = 480
pixel_size_um = 7.5
aperture_mm = 60.0
"""
_QUICK_OPTICS = "[sky]\noptics_fwhm_um = 15.0\n"


def with_fast_slews(sky: str) -> str:
    """Let a mount that is told no speed slew in a second or two instead of ten or twenty."""
    if "slew_rate_deg_s" in sky:
        return sky
    return _with(sky, "[mount]\nslew_rate_deg_s = 60.0\n")


def with_quick_frames(sky: str) -> str:
    """Let a camera that is told nothing take small frames through a wide aperture."""
    if "[camera]" in sky:
        return sky
    return _with(_with(sky, _QUICK_CAMERA), _QUICK_OPTICS)


def _with(sky: str, table: str) -> str:
    """Return a sky's truths with these at the head of their table."""
    head, _ = table.split("\n", 1)
    return sky.replace(f"{head}\n", table) if f"{head}\n" in sky else f"{sky}\n{table}"


def write_sky(home: Path, monkeypatch: pytest.MonkeyPatch, sky: str) -> None:
    """Let simulators that are started from now on show this sky."""
    file = home / "sky.toml"
    file.write_text(with_quick_frames(with_fast_slews(sky)))
    monkeypatch.setenv("POLEWRIGHT_SKY", str(file))


@dataclass(frozen=True)
class EveningProcesses:
    """Server, simulator and broker, which run, and the service, which a test starts."""

    home: Path
    config: Path
    broker: Mosquitto
    bench: IndiConnection
    longest_s: float = LONGEST_S

    def service(self) -> AbstractAsyncContextManager[Path]:
        return service(self.home, "--config", str(self.config))

    @asynccontextmanager
    async def killed_service(self) -> AsyncIterator[None]:
        """Run the service, and kill it -9 at the end."""
        arguments = ("run", "--config", str(self.config))
        async with running(self.home, *arguments, log=self.home / "killed.log") as process:
            try:
                yield
            finally:
                process.kill()
                assert await process.wait() == -signal.SIGKILL

    async def says(self, *arguments: str) -> Ended:
        """Run a command to its end."""
        return await polewright(
            self.home, *arguments, "--json", "--config", str(self.config), timeout_s=self.longest_s
        )

    async def true_arcsec(self) -> float:
        """How far the axis is from the refracted pole, as the simulator knows."""
        return (await read_truth(self.bench))["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]

    async def until_ready(self) -> None:
        """Wait until the service has its devices."""
        for _ in range(30):
            status = await self.says("status")
            if status.code != 3 or (status.out and status.json.get("state")):
                state = status.json.get("state") or {}
                if state.get("state") == "idle" and state.get("step") == "ready":
                    return
            await asyncio.sleep(0.5)
        pytest.fail(f"the service did not get ready: {status.out} {status.err}")

    async def until_corrected(self) -> None:
        """Wait until some live corrections have been told."""
        for _ in range(60):
            status = await self.says("status")
            with contextlib.suppress(json.JSONDecodeError, IndexError):
                correction = status.json.get("correction") or {}
                if correction.get("live") and correction["sequence"] >= 3:
                    return
            await asyncio.sleep(0.3)
        pytest.fail(f"no corrections were told: {status.out} {status.err}")


@asynccontextmanager
async def evening_processes(
    home: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    sky: str,
    more: str = SHORT_SURVEY,
    longest_s: float = LONGEST_S,
) -> AsyncIterator[EveningProcesses]:
    """Run server, simulator and broker, and write the settings of a service for them."""
    write_sky(home, monkeypatch, sky)
    broker = Mosquitto(home)
    await broker.start()
    try:
        async with (
            indi_server(home, simulator_door(home)) as server,
            IndiConnection.open("127.0.0.1", server.port) as bench,
        ):
            await bench.wait_for(BOLTS_DEVICE, "CONNECTION", lambda _: True, STARTED_S)
            config = home / "polewright.toml"
            config.write_text(
                settings_text(indi_port=server.port, mqtt_port=broker.port, more=more)
            )
            yield EveningProcesses(home, config, broker, bench, longest_s)
    finally:
        await broker.stop()
