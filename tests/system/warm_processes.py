"""Processes forked from one that has imported everything: for tests that start many.

``polewright`` and the simulator each take seconds of a processor to import what they need.  Here
one process per test worker imports it, and forks what tests ask for (``tests.faults.nursery``).
Every child is a process of its own, with its own arguments, environment, folder, streams and exit
code, and begins at its program's entry.  That programs also start from nothing is shown by the
tests that use ``tests.system.commands``.
"""

import asyncio
import atexit
import contextlib
import json
import os
import signal
import socket
import sys
import tempfile
import threading
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import IO, Any

import tests.faults
from polewright_drivers.sky_simulator.driver import SKY_VARIABLE
from tests.faults.nursery import ask, nursery
from tests.system.commands import END_S, LONGEST_S, Ended, _environment

_CHILDREN = "tests.system.warm_children"
_ANNOUNCED = b"listening on "
_LOOKS_EVERY_S = 0.02
_one_starts_it = threading.Lock()


def warm_nursery() -> Path:
    """Return the door of this worker's nursery, which is started now if it does not run yet."""
    with _one_starts_it:
        return _nursery()


@cache
def _nursery() -> Path:
    running = contextlib.ExitStack()
    atexit.register(running.close)
    folder = running.enter_context(tempfile.TemporaryDirectory(prefix="polewright-warm-"))
    return running.enter_context(nursery(Path(folder), _CHILDREN))


class WarmProcess:
    """One child of the nursery."""

    def __init__(self, pid: int, talk: socket.socket) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._talk = talk
        talk.setblocking(False)

    async def wait(self) -> int:
        """Wait for its end; return its exit code, minus the signal's number if one ended it."""
        if self.returncode is None:
            loop = asyncio.get_running_loop()
            told = b""
            while more := await loop.sock_recv(self._talk, 4096):
                told += more
            self._talk.close()
            self.returncode = int(json.loads(told.splitlines()[-1])["code"])
        return self.returncode

    @property
    def runs(self) -> bool:
        """Whether it has not ended, as far as its nursery has told."""
        if self.returncode is not None:
            return False
        try:
            return not self._talk.recv(1, socket.MSG_PEEK)
        except BlockingIOError:
            return True

    def send_signal(self, number: signal.Signals) -> None:
        if self.runs:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def _start(
    entry: str,
    home: Path,
    out: IO[bytes],
    err: IO[bytes],
    *,
    variables: Mapping[str, str] = MappingProxyType({}),
    **more: Any,
) -> WarmProcess:
    environment = {**_environment(home), **variables}
    request = {"entry": entry, "folder": str(home), "environment": environment, **more}
    with open(os.devnull, "rb") as nothing:
        streams = (nothing.fileno(), out.fileno(), err.fileno())
        return WarmProcess(*ask(warm_nursery(), request, streams))


async def start_polewright(
    home: Path, *arguments: str, out: IO[bytes], err: IO[bytes]
) -> WarmProcess:
    """Start ``polewright`` with these arguments."""
    return await asyncio.to_thread(_start, "polewright", home, out, err, arguments=arguments)


async def _ended(process: WarmProcess, within_s: float) -> int:
    """Wait for its end; it is killed where that takes too long or the test is over."""
    try:
        return await asyncio.wait_for(process.wait(), within_s)
    except BaseException:
        process.kill()
        raise


async def polewright(home: Path, *arguments: str, timeout_s: float = LONGEST_S) -> Ended:
    """Run a command to its end; it is killed and the test fails where it takes too long."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = await start_polewright(home, *arguments, out=out, err=err)
        code = await _ended(process, timeout_s)
        texts = []
        for file in (out, err):
            file.seek(0)
            texts.append(file.read().decode())
    return Ended(code, *texts)


@asynccontextmanager
async def running(home: Path, *arguments: str, log: Path) -> AsyncIterator[WarmProcess]:
    """Run ``polewright`` beside the test; it is killed at the end if it still runs."""
    with log.open("ab") as target:
        process = await start_polewright(home, *arguments, out=target, err=target)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


@asynccontextmanager
async def service(home: Path, *arguments: str) -> AsyncIterator[Path]:
    """Run ``polewright run`` in the background; yields the file that its log goes to."""
    log = home / "service.log"
    log.write_bytes(b"")
    async with running(home, "run", *arguments, log=log) as process:
        try:
            yield log
        finally:
            process.terminate()
            code = await _ended(process, END_S)
    assert code == 0, log.read_text()
    assert "Traceback" not in log.read_text()


def simulator_door(folder: Path) -> Path:
    """Write and return a program that is the sky simulator to whoever starts it as a driver.

    It shows the sky that the variable ``POLEWRIGHT_SKY`` names now.
    """
    request = {"entry": "sky", "folder": str(folder), "environment": _environment(folder)}
    door = folder / "polewright-sky-simulator"
    program = Path(tests.faults.__file__).with_name("driver_door.py")
    door.write_text(
        f"#!{Path(sys.executable).resolve()} -IS\n"
        f"import sys\nsys.argv[1:] = [{str(warm_nursery())!r}, {json.dumps(request)!r}]\n"
        f"exec(open({str(program)!r}).read())\n"
    )
    door.chmod(0o755)
    return door


@asynccontextmanager
async def warm_sky(file: Path, started_s: float) -> AsyncIterator[int]:
    """Run a simulator of this sky at a port of its own; yields the port."""
    folder = file.parent
    variables = {SKY_VARIABLE: str(file)}
    with tempfile.TemporaryFile() as out, (folder / "sky.log").open("ab") as err:
        process = await asyncio.to_thread(
            _start, "sky", folder, out, err, variables=variables, port=0
        )
        try:
            async with asyncio.timeout(started_s):
                told = b""
                while not told.endswith(b"\n"):
                    await asyncio.sleep(_LOOKS_EVERY_S)
                    assert process.runs, (folder / "sky.log").read_text()
                    told = os.pread(out.fileno(), 100, 0)
            assert told.startswith(_ANNOUNCED)
            yield int(told.rsplit(b":", 1)[1])
        finally:
            process.terminate()
            await _ended(process, END_S)
