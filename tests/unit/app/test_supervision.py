"""Supervision: what the service manager is told, seen at a real datagram socket."""

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from polewright.adapters.systemd.notifying import ServiceManager
from polewright.app import supervision
from polewright.app.supervision import Supervision

WATCHDOG_S = 0.15


class Manager:
    def __init__(self, address: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(address))
        self.socket.setblocking(False)
        self.address = str(address)

    def heard(self) -> list[str]:
        told = []
        with contextlib.suppress(BlockingIOError):
            while True:
                told.append(self.socket.recv(1000).decode())
        return told


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    yield made
    made.socket.close()


@contextlib.asynccontextmanager
async def supervised(
    manager: Manager, *, answers: list[bool], tasks: tuple[asyncio.Task[None], ...] = ()
) -> AsyncIterator[None]:
    watcher = Supervision(
        ServiceManager(manager.address, watchdog_s=WATCHDOG_S),
        lambda: answers[0],
        lambda: "idle: ready" if answers[0] else "idle: connecting the devices",
    )
    running = asyncio.create_task(watcher.run(tasks))
    try:
        yield
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def test_ready_is_told_once_and_only_when_the_service_answers(manager: Manager) -> None:
    answers = [False]
    async with supervised(manager, answers=answers):
        await asyncio.sleep(WATCHDOG_S)
        before = manager.heard()
        answers[0] = True
        await asyncio.sleep(WATCHDOG_S)
        after = manager.heard()
    assert "READY=1" not in before
    assert "STATUS=idle: connecting the devices" in before
    assert after.count("READY=1") == 1
    assert "STATUS=idle: ready" in after


async def test_a_broker_that_stays_away_does_not_keep_the_service_from_being_ready(
    manager: Manager,
) -> None:
    now = [0.0]
    watcher = Supervision(
        ServiceManager(manager.address, watchdog_s=WATCHDOG_S),
        lambda: False,
        lambda: "idle (no broker)",
        monotonic=lambda: now[0],
    )
    running = asyncio.create_task(watcher.run(()))
    await asyncio.sleep(WATCHDOG_S)
    assert "READY=1" not in manager.heard()
    now[0] = supervision.BROKER_WAIT_S
    await asyncio.sleep(WATCHDOG_S)
    assert "READY=1" in manager.heard()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_signs_of_life_come_oftener_than_the_watchdog_waits(manager: Manager) -> None:
    async with supervised(manager, answers=[True]):
        await asyncio.sleep(4 * WATCHDOG_S)
    assert manager.heard().count("WATCHDOG=1") >= 6


async def test_a_loop_that_hangs_gives_no_sign(manager: Manager) -> None:
    async with supervised(manager, answers=[True]):
        await asyncio.sleep(WATCHDOG_S)
        assert "WATCHDOG=1" in manager.heard()
        time.sleep(3 * WATCHDOG_S)  # noqa: ASYNC251 - the hang itself
        assert "WATCHDOG=1" not in manager.heard()


async def test_a_task_that_ended_though_it_should_not_ends_the_signs(
    manager: Manager, caplog: pytest.LogCaptureFixture
) -> None:
    over = asyncio.Event()

    async def should_run_for_ever() -> None:
        await over.wait()

    task = asyncio.create_task(should_run_for_ever(), name="messages")
    async with supervised(manager, answers=[True], tasks=(task,)):
        await asyncio.sleep(WATCHDOG_S)
        assert "WATCHDOG=1" in manager.heard()
        over.set()
        await asyncio.sleep(WATCHDOG_S)
        manager.heard()
        await asyncio.sleep(2 * WATCHDOG_S)
        told = manager.heard()
    assert "WATCHDOG=1" not in told
    assert "a part of the service has ended: messages" in caplog.text
