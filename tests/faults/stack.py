"""The stack of one seed: broker, indiserver with its driver, and the service, each a process."""

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.faults.kept_sky import World
from tests.faults.links import Link, link_to
from tests.faults.nursery import ask
from tests.faults.stepped_clock import step
from tests.system.indi_servers import RunningServer, free_port, indi_server
from tests.system.mqtt_brokers import Mosquitto

TOLERANCE_ARCSEC = 60.0
EXPOSURE_S = 0.15

_SKY = """
seed = {seed}
site_name = "{site}"
[clock]
time_factor = {time_factor}
[mount]
axis_altitude_error_deg = {altitude_deg}
axis_azimuth_error_deg = {azimuth_deg}
slew_rate_deg_s = 40.0
[camera]
width_px = 640
height_px = 480
focal_length_mm = {focal_mm}
told_focal_length_mm = {focal_mm}
aperture_mm = 60.0
readout_s = 0.02
[sky]
daylight = false
"""
_SETTINGS = """
[site]
clock = "gps"
[mount]
slug = "kudu"
device = "Kudu"
[camera]
device = "Hoopoe"
exposure_s = {exposure_s}
[indi]
port = {indi_port}
[mqtt]
mode = "external"
port = {mqtt_port}
[survey]
frames = 3
sweep_deg = 40.0
settle_s = 0.0
[tolerance]
arcsec = {tolerance_arcsec}
[journal]
directory = "{journal}"
[page]
mode = "off"
{more}
"""
WIDE_MM, NARROW_MM = 60.0, 120.0


@dataclass
class ServiceProcess:
    """One life of the service."""

    pid: int
    talk: socket.socket
    began_s: float
    ended_s: float | None = None
    code: int | None = None

    async def ended(self) -> int:
        """Wait for its end; return its exit code."""
        if self.code is None:
            loop = asyncio.get_running_loop()
            self.talk.setblocking(False)
            said = b""
            while more := await loop.sock_recv(self.talk, 4096):
                said += more
            self.code = int(json.loads(said.splitlines()[-1])["code"]) if said else 70
            self.ended_s = time.monotonic()
        return self.code

    def send(self, number: signal.Signals) -> None:
        """Send a signal, if it lives."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, number)


class Stack:
    """Everything that runs, and handles to break it by."""

    def __init__(
        self,
        folder: Path,
        nursery: Path,
        journal: Path,
        broker: Mosquitto,
        links: tuple[Link, Link],
    ) -> None:
        self.folder = folder
        self.nursery = nursery
        self.journal = journal / "kudu.sqlite"
        self.log = folder / "service.log"
        self.broker = broker
        self.mqtt_link, self.indi_link = links
        self.world = World(folder)
        self.clock_file = folder / "clock"
        self.time_zone = "UTC"
        self.service: ServiceProcess | None = None
        self.server: RunningServer | None = None
        self.lives: list[ServiceProcess] = []
        self._server_context: contextlib.AsyncExitStack | None = None
        self._server_port = 0

    # indiserver and its driver

    async def start_server(self, port: int) -> None:
        """Start indiserver with the simulator."""
        self._server_port = port
        context = contextlib.AsyncExitStack()
        door = self.folder / "sky-driver"
        self.server = await context.enter_async_context(indi_server(self.folder, door, port=port))
        self._server_context = context

    async def kill_server(self) -> None:
        """Kill indiserver -9; its driver sees the end of its input."""
        if self.server is not None:
            self.server.kill()
        await self.stop_server()

    async def restart_server(self) -> None:
        """Start it again at its port."""
        await self.start_server(self._server_port)

    async def stop_server(self) -> None:
        """End it and its driver."""
        context, self._server_context, self.server = self._server_context, None, None
        if context is not None:
            await context.aclose()

    @property
    def driver_pid(self) -> int:
        """The simulator's process."""
        return int((self.folder / "driver.pid").read_text())

    # the service

    def start_service(self, **more: object) -> ServiceProcess:
        """Start it; its log is continued."""
        request = {
            "entry": "service", "folder": str(self.folder),
            "config": str(self.folder / "polewright.toml"), "clock_file": str(self.clock_file),
            "environment": environment(self.folder) | {"TZ": self.time_zone}, **more,
        }  # fmt: skip
        with self.log.open("ab") as log, Path(os.devnull).open("rb") as nothing:
            streams = (nothing.fileno(), log.fileno(), log.fileno())
            pid, talk = ask(self.nursery, request, streams)
        self.service = ServiceProcess(pid, talk, time.monotonic())
        self.lives.append(self.service)
        return self.service

    def signal_all(self, number: signal.Signals) -> None:
        """Send a signal to every process of the stack."""
        pids = [self.driver_pid]
        if self.service is not None and self.service.code is None:
            pids.append(self.service.pid)
        if self.server is not None:
            pids.append(self.server.process.pid)
        pids.append(self.broker.pid)
        for pid in pids:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, number)

    def committed(self) -> list[float]:
        """Return the altitude errors (arcmin) of all surveys in the journal and those set aside."""
        found: list[float] = []
        for file in sorted(self.journal.parent.glob("kudu*.sqlite")):
            link = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
            with contextlib.closing(link), contextlib.suppress(sqlite3.DatabaseError):
                rows = link.execute("SELECT altitude_error_arcmin FROM survey ORDER BY id")
                found += [float(row[0]) for row in rows]
        return found


def environment(folder: Path) -> dict[str, str]:
    """A person's environment with a home of its own, but the machine's cache of star patterns."""
    cache = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return {
        "PATH": os.environ["PATH"],
        "HOME": str(folder),
        "XDG_CACHE_HOME": cache,
        "XDG_STATE_HOME": str(folder / "state"),
        "XDG_RUNTIME_DIR": str(folder),
    }


@asynccontextmanager
async def running_stack(
    folder: Path,
    nursery: Path,
    journal: Path,
    *,
    seed: int,
    site: str,
    off_arcmin: tuple[float, float],
    time_zone: str = "UTC",
    narrow: bool = False,
    more: str = "",
    time_factor: float = 1.0,
) -> AsyncIterator[Stack]:
    """Run broker and server, and make ready for a service; everything is ended at the end."""
    broker = Mosquitto(folder)
    await broker.start()
    stack: Stack | None = None
    try:
        async with contextlib.AsyncExitStack() as context:
            server_port = free_port()
            links = (
                await context.enter_async_context(link_to(broker.port)),
                await context.enter_async_context(link_to(server_port)),
            )
            stack = Stack(folder, nursery, journal, broker, links)
            stack.time_zone = time_zone
            step(stack.clock_file, 0.0)
            sky = _SKY.format(
                seed=seed, site=site, altitude_deg=off_arcmin[0] / 60.0,
                azimuth_deg=off_arcmin[1] / 60.0, focal_mm=NARROW_MM if narrow else WIDE_MM,
                time_factor=time_factor,
            )  # fmt: skip
            _write(stack, sky, more)
            try:
                await stack.start_server(server_port)
                yield stack
            finally:
                await _end(stack)
    finally:
        await broker.stop()


def _write(stack: Stack, sky: str, more: str) -> None:
    """Write what the processes read: the sky, the settings, and the driver's program."""
    folder = stack.folder
    (folder / "sky.toml").write_text(sky)
    (folder / "polewright.toml").write_text(
        _SETTINGS.format(
            indi_port=stack.indi_link.port, mqtt_port=stack.mqtt_link.port,
            journal=stack.journal.parent, tolerance_arcsec=TOLERANCE_ARCSEC,
            exposure_s=EXPOSURE_S, more=more,
        )
    )  # fmt: skip
    request = {
        "entry": "driver", "folder": str(folder), "sky": str(folder / "sky.toml"),
        "environment": environment(folder), "pid_file": str(folder / "driver.pid"),
    }  # fmt: skip
    door = folder / "sky-driver"
    program = Path(__file__).with_name("driver_door.py")
    door.write_text(
        f"#!{Path(sys.executable).resolve()} -IS\n"
        f"import sys\nsys.argv[1:] = [{str(stack.nursery)!r}, {json.dumps(request)!r}]\n"
        f"exec(open({str(program)!r}).read())\n"
    )
    door.chmod(0o755)


async def _end(stack: Stack) -> None:
    for life in stack.lives:
        if life.code is None:
            life.send(signal.SIGCONT)
            life.send(signal.SIGKILL)
            await life.ended()
        life.talk.close()
    await stack.stop_server()


def may_mount() -> bool:
    """Return whether small file systems of one's own may be mounted here."""
    if shutil.which("unshare") is None:
        return False
    return subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode == 0
