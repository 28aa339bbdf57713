"""Breaking: how each kind of fault is begun and ended on a running stack."""

import asyncio
import contextlib
import itertools
import os
import resource
import signal
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

from polewright.adapters.indi.connection import IndiConnection
from polewright.core.errors import PolewrightError
from tests.faults.kept_sky import World
from tests.faults.links import Link
from tests.faults.record import Life, Record
from tests.faults.schedule import Fault, Kind
from tests.faults.stack import Stack
from tests.faults.stepped_clock import step

# The mount's devices are there again by then (s).
_DEVICES_S = 60.0
# What a slow broker passes on (bytes per s).
_SLOW_BYTES_S = (400.0, 20000.0)
_CLOCK_STEPS_S = (-7200.0, -3600.0, -90.0, 45.0, 600.0, 3600.0, 86400.0)
_BUMPS_ARCMIN = (1.5, 40.0)
# What the service may still take when memory is short, above what it holds between frames (bytes),
# and so often it is looked what that is.
_LEAST_MEMORY, _MOST_MEMORY = 300_000, 2_000_000
_SAMPLES = 60
# A program that ends for lack of memory takes so long to do it (s).
_DYING_S = 1.0

Breaker = Callable[[Stack, Record, Fault], AbstractAsyncContextManager[None]]


@asynccontextmanager
async def _broker_killed(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
    await stack.broker.stop()
    try:
        yield
    finally:
        await stack.broker.start()


@asynccontextmanager
async def _broker_frozen(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
    stack.broker.freeze()
    try:
        yield
    finally:
        stack.broker.thaw()


@asynccontextmanager
async def _broker_slow(stack: Stack, _record: Record, fault: Fault) -> AsyncIterator[None]:
    low, high = _SLOW_BYTES_S
    stack.mqtt_link.bytes_per_s = low * (high / low) ** fault.size
    try:
        yield
    finally:
        stack.mqtt_link.bytes_per_s = None


@contextlib.contextmanager
def _cut(link: Link, fault: Fault) -> Iterator[None]:
    """Let a link hold everything back, or break it and take no other, for a while."""
    if fault.size < 0.5:
        link.hold()
    else:
        link.refuses = True
        link.cut()
    try:
        yield
    finally:
        link.refuses = False
        link.release()


@asynccontextmanager
async def _broker_cut_off(stack: Stack, _record: Record, fault: Fault) -> AsyncIterator[None]:
    with _cut(stack.mqtt_link, fault):
        yield


@asynccontextmanager
async def _server_killed(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
    await stack.kill_server()
    try:
        yield
    finally:
        await stack.restart_server()
        await _devices_answer(stack)


@asynccontextmanager
async def _server_cut_off(stack: Stack, _record: Record, fault: Fault) -> AsyncIterator[None]:
    with _cut(stack.indi_link, fault):
        yield


@asynccontextmanager
async def _driver_crashed(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
    with contextlib.suppress(ProcessLookupError):
        os.kill(stack.driver_pid, signal.SIGKILL)
    try:
        yield
    finally:
        await _devices_answer(stack)


async def _devices_answer(stack: Stack) -> None:
    """Wait until a client of its own sees the camera."""
    assert stack.server is not None
    async with asyncio.timeout(_DEVICES_S):
        while True:
            try:
                async with IndiConnection.open(stack.server.host, stack.server.port) as probe:
                    await probe.wait_for("Hoopoe", "CONNECTION", lambda _: True, 20.0)
                    return
            except PolewrightError:
                await asyncio.sleep(0.05)


def _simulated(name: str) -> Breaker:
    @asynccontextmanager
    async def breaker(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
        stack.world.fault(name, on=True)
        try:
            yield
        finally:
            stack.world.fault(name, on=False)

    return breaker


@asynccontextmanager
async def _bumped(stack: Stack, _record: Record, fault: Fault) -> AsyncIterator[None]:
    low, high = _BUMPS_ARCMIN
    far = low * (high / low) ** fault.size
    stack.world.turn(far * 0.6, -far * 0.8)
    await _still(stack.world)
    yield


async def until(condition: Callable[[], bool], *, look_s: float = 0.02) -> None:
    """Return as soon as something holds; the caller bounds it."""
    for _ in itertools.count():
        if condition():
            return
        await asyncio.sleep(look_s)


async def _still(world: World) -> None:
    async with asyncio.timeout(10.0):
        await asyncio.sleep(0.15)
        await until(lambda: (now := world.now()) is not None and not now["turning"])


@asynccontextmanager
async def _clock_stepped(stack: Stack, _record: Record, fault: Fault) -> AsyncIterator[None]:
    index = min(int(fault.size * len(_CLOCK_STEPS_S)), len(_CLOCK_STEPS_S) - 1)
    step(stack.clock_file, _CLOCK_STEPS_S[index])
    # It stays wrong for a while, then it is set right again.
    try:
        yield
    finally:
        step(stack.clock_file, 0.0)


@asynccontextmanager
async def _suspended(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
    stack.signal_all(signal.SIGSTOP)
    try:
        yield
    finally:
        stack.signal_all(signal.SIGCONT)


@asynccontextmanager
async def _disk_full(stack: Stack, record: Record, _fault: Fault) -> AsyncIterator[None]:
    """Fill a small file system; where none is mounted, forbid the service to write on."""
    folder = stack.journal.parent
    if folder.is_mount():
        ballast = folder / "ballast"
        _fill(ballast)
        try:
            yield
        finally:
            ballast.unlink()
        return
    record.faults[-1].noted = "by a limit of the file size"
    pid = stack.service.pid if stack.service is not None else 0
    with _limited(pid, resource.RLIMIT_FSIZE, 4096):
        yield


def _fill(file: Path) -> None:
    """Write until nothing more fits."""
    with file.open("wb", buffering=0) as ballast:
        for piece in (65536, 4096, 512):
            with contextlib.suppress(OSError):
                while ballast.write(bytes(piece)) == piece:
                    pass


@asynccontextmanager
async def _journal_locked(stack: Stack, _record: Record, _fault: Fault) -> AsyncIterator[None]:
    with contextlib.closing(
        sqlite3.connect(stack.journal, isolation_level=None, timeout=5.0)
    ) as other:
        with contextlib.suppress(sqlite3.Error):
            other.execute("BEGIN IMMEDIATE")
        yield
        with contextlib.suppress(sqlite3.Error):
            other.execute("ROLLBACK")


@asynccontextmanager
async def _service_killed(stack: Stack, record: Record, _fault: Fault) -> AsyncIterator[None]:
    await kill_service(stack, record)
    try:
        yield
    finally:
        begin_life(stack, record)


@asynccontextmanager
async def _journal_torn(stack: Stack, record: Record, fault: Fault) -> AsyncIterator[None]:
    """Kill the service in the middle of a commit: as soon as the journal's log grows."""
    log = Path(f"{stack.journal}-wal")
    before = _written(log)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(3.0):
            await until(lambda: _written(log) != before, look_s=0.0005)
            await asyncio.sleep(0.004 * fault.size)
    await kill_service(stack, record)
    try:
        yield
    finally:
        begin_life(stack, record)


def _written(file: Path) -> int:
    """Return when a file was written last (ns)."""
    try:
        return file.stat().st_mtime_ns
    except FileNotFoundError:
        return -1


@asynccontextmanager
async def _terminated(stack: Stack, record: Record, _fault: Fault) -> AsyncIterator[None]:
    await end_service(stack, record)
    try:
        yield
    finally:
        begin_life(stack, record)


@asynccontextmanager
async def _worker_killed(stack: Stack, record: Record, fault: Fault) -> AsyncIterator[None]:
    """Kill the second solver's process, as often as one is seen while it lasts."""
    end_s = time.monotonic() + fault.lasts_s
    killed = 0
    while time.monotonic() < end_s:
        for pid in _children(stack):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
                killed += 1
        await asyncio.sleep(0.05)
    record.faults[-1].noted = f"{killed} killed"
    yield


def _children(stack: Stack) -> list[int]:
    found: list[int] = []
    if stack.service is not None:
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{stack.service.pid}/task").iterdir():
                found += map(int, (task / "children").read_text().split())
    return found


@asynccontextmanager
async def _out_of_memory(stack: Stack, record: Record, fault: Fault) -> AsyncIterator[None]:
    """Leave the service what it holds between frames and little more.

    Where even small pieces lack no program goes on: it may end, and whoever watches over it starts
    it again, as the service manager does.
    """
    assert stack.service is not None
    pid = stack.service.pid
    least = min([_address_space(pid) async for _ in _looks(_SAMPLES, 0.01)])
    spare = _LEAST_MEMORY + fault.size * (_MOST_MEMORY - _LEAST_MEMORY)
    before = len(record.told)
    with _limited(pid, resource.RLIMIT_AS, least + int(spare)):
        yield
    await asyncio.sleep(_DYING_S)
    died = not lives(pid)
    if died:
        record.lives[-1].killed_s = time.monotonic()
        record.lives[-1].code = await stack.service.ended()
        record.lives[-1].ended_s = stack.service.ended_s
        begin_life(stack, record)
    said = any("no memory" in str(one.payload) for one in record.told[before:])
    felt = "felt" if said else "unfelt"
    record.faults[-1].noted = f"{spare / 1e6:.1f} MB left, {'died of it' if died else felt}"


def lives(pid: int) -> bool:
    """Return whether there is such a process."""
    return Path(f"/proc/{pid}").exists()


async def _looks(number: int, every_s: float) -> AsyncIterator[None]:
    for _ in range(number):
        yield
        await asyncio.sleep(every_s)


def _address_space(pid: int) -> int:
    """Return how much address space a process has taken (bytes)."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[0]) * resource.getpagesize()


@contextlib.contextmanager
def _limited(pid: int, what: int, limit: int) -> Iterator[None]:
    _, hard = resource.prlimit(pid, what)
    resource.prlimit(pid, what, (limit, hard))
    try:
        yield
    finally:
        with contextlib.suppress(ProcessLookupError):
            resource.prlimit(pid, what, (hard, hard))


def begin_life(stack: Stack, record: Record) -> None:
    """Start the service."""
    life = stack.start_service()
    record.lives.append(Life(began_s=life.began_s))


async def kill_service(stack: Stack, record: Record) -> None:
    """Kill the service -9."""
    service, life = stack.service, record.lives[-1]
    assert service is not None
    life.killed_s = time.monotonic()
    service.send(signal.SIGKILL)
    life.code = await service.ended()
    life.ended_s = service.ended_s


async def end_service(stack: Stack, record: Record, *, wait_s: float = 15.0) -> None:
    """Send SIGTERM and wait; a service that does not end is killed, and the record says so."""
    service, life = stack.service, record.lives[-1]
    assert service is not None
    life.asked_to_end_s = time.monotonic()
    service.send(signal.SIGTERM)
    try:
        async with asyncio.timeout(wait_s):
            life.code = await service.ended()
    except TimeoutError:
        service.send(signal.SIGKILL)
        await service.ended()
        life.code = -signal.SIGKILL
    life.ended_s = service.ended_s


BREAKERS: dict[Kind, Breaker] = {
    Kind.BROKER_KILLED: _broker_killed,
    Kind.BROKER_FROZEN: _broker_frozen,
    Kind.BROKER_SLOW: _broker_slow,
    Kind.BROKER_CUT_OFF: _broker_cut_off,
    Kind.SERVER_KILLED: _server_killed,
    Kind.SERVER_CUT_OFF: _server_cut_off,
    Kind.DRIVER_CRASHED: _driver_crashed,
    Kind.CAMERA_STALLED: _simulated("CAMERA_NEVER_DELIVERS"),
    Kind.FRAME_GARBAGE: _simulated("BLOB_IS_JUNK"),
    Kind.FRAME_TORN: _simulated("BLOB_IS_TORN"),
    Kind.FRAME_BLACK: _simulated("BLACK_FRAME"),
    Kind.CLOUDS: _simulated("CLOUDS"),
    Kind.SATELLITE: _simulated("SATELLITE"),
    Kind.BUMPED: _bumped,
    Kind.CLOCK_STEPPED: _clock_stepped,
    Kind.SUSPENDED: _suspended,
    Kind.DISK_FULL: _disk_full,
    Kind.JOURNAL_LOCKED: _journal_locked,
    Kind.JOURNAL_TORN: _journal_torn,
    Kind.SERVICE_KILLED: _service_killed,
    Kind.TERMINATED: _terminated,
    Kind.WORKER_KILLED: _worker_killed,
    Kind.OUT_OF_MEMORY: _out_of_memory,
}
