"""Real INDI servers on free loopback ports, started and stopped for one test."""

import asyncio
import contextlib
import os
import random
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

MOUNT, CAMERA, GPS = "Telescope Simulator", "CCD Simulator", "GPS Simulator"
STOCK_DRIVERS = ("indi_simulator_telescope", "indi_simulator_ccd", "indi_simulator_gps")

# A loaded two-core machine starts three drivers in well under a second (s).
START_S = 15.0
STOP_S = 5.0

# Below Linux's usual range of a connection's own end, which begins at 32768.
_SERVER_PORTS = (20_000, 32_000)
# Workers of one suite and its seeded tests must not draw the same.
_DICE = random.SystemRandom()

needs_indiserver = pytest.mark.skipif(
    any(shutil.which(program) is None for program in ("indiserver", *STOCK_DRIVERS)),
    reason="indiserver or a stock simulator is missing (Debian package indi-bin)",
)


@dataclass
class RunningServer:
    """An indiserver process and its drivers, one process group."""

    port: int
    process: "subprocess.Popen[bytes]"
    log: Path

    host: str = "127.0.0.1"

    def signal_all(self, number: signal.Signals) -> None:
        """Send a signal to the server and its drivers."""
        os.killpg(self.process.pid, number)

    def kill(self) -> None:
        """Kill the server and its drivers at once, without a goodbye."""
        self.signal_all(signal.SIGKILL)
        self.process.wait(STOP_S)

    def freeze(self) -> None:
        """Stop the server (not its drivers) from running, its sockets still open."""
        os.kill(self.process.pid, signal.SIGSTOP)


def free_port() -> int:
    """Return a TCP port that nothing listens on now.

    None of those from which the system gives connections their own ends: one of these would take
    the port again before a server does.
    """
    while True:
        port = _DICE.randrange(*_SERVER_PORTS)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


@asynccontextmanager
async def indi_server(
    folder: Path, *drivers: str | Path, port: int | None = None
) -> AsyncIterator[RunningServer]:
    """Run ``indiserver`` with some drivers; its settings and parking data live in ``folder``."""
    port = port or free_port()
    process, log = _start(folder, drivers, port)
    try:
        await _listening(process, port, log)
        yield RunningServer(port=port, process=process, log=log)
    finally:
        _end(process)


@asynccontextmanager
async def stock_server(folder: Path, *, port: int | None = None) -> AsyncIterator[RunningServer]:
    """Run the stock mount, camera and GPS simulators."""
    async with indi_server(folder, *STOCK_DRIVERS, port=port) as server:
        yield server


def _start(
    folder: Path, drivers: tuple[str | Path, ...], port: int
) -> "tuple[subprocess.Popen[bytes], Path]":
    """Start the server as the head of a process group of its own."""
    log = folder / f"indiserver-{port}.log"
    (folder / "home").mkdir(parents=True, exist_ok=True)
    socket_path = str(folder / f"socket-{port}")
    with log.open("ab") as output:
        process = subprocess.Popen(
            ["indiserver", "-p", str(port), "-u", socket_path, *map(str, drivers)],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            start_new_session=True,
            env={**os.environ, "HOME": str(folder / "home")},
        )
    return process, log


async def _listening(process: "subprocess.Popen[bytes]", port: int, log: Path) -> None:
    """Wait until the server accepts connections."""
    deadline_s = time.monotonic() + START_S
    while True:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            if process.poll() is not None or time.monotonic() > deadline_s:
                raise AssertionError(f"indiserver did not start, see {log}") from None
            await asyncio.sleep(0.02)
        else:
            writer.close()
            await writer.wait_closed()
            return


def _end(process: "subprocess.Popen[bytes]") -> None:
    """End the server and whatever is left of its drivers."""
    for number in (signal.SIGCONT, signal.SIGTERM):
        try:
            os.killpg(process.pid, number)
        except ProcessLookupError:
            return
    try:
        process.wait(STOP_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(STOP_S)
