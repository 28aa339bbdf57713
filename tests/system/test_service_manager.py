"""The real service under a service manager's socket: ready, alive, in words, and ending."""

import asyncio
import os
import signal
import socket
import sys
import time
from pathlib import Path

import pytest

from tests.system.commands import _environment
from tests.system.indi_servers import free_port

pytestmark = pytest.mark.slow

START_S = 60.0
SIGN_S = 10.0


async def test_the_service_is_ready_when_its_broker_answers_lives_and_says_that_it_ends(
    tmp_path: Path,
) -> None:
    port = free_port()
    config = tmp_path / "polewright.toml"
    config.write_text(
        f"[mqtt]\nport = {port}\n[page]\nmode = 'off'\n[indi]\nport = {free_port()}\n"
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)

        async def told_until(start: str, within_s: float) -> list[str]:
            told: list[str] = []
            async with asyncio.timeout(within_s):
                while not told or not told[-1].startswith(start):
                    told.append((await loop.sock_recv(manager, 1000)).decode())
            return told

        loop = asyncio.get_running_loop()
        variables = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1500000"}
        service = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "polewright", "run", "--config", str(config),
            env=_environment(tmp_path) | variables,
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        try:
            before = await told_until("READY=1", START_S)
            assert before.count("READY=1") == 1
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.close()
            blocked = "STATUS=blocked: No INDI server"
            if not any(one.startswith(blocked) for one in before):
                assert "READY=1" not in await told_until(blocked, SIGN_S)
            began_s = time.monotonic()
            for _ in range(4):
                await told_until("WATCHDOG=1", SIGN_S)
            assert time.monotonic() - began_s < 4 * 1.5  # oftener than the watchdog waits
            service.send_signal(signal.SIGTERM)
            (last,) = [one for one in await told_until("STOPPING=1", SIGN_S) if "STOPPING" in one]
            assert "STATUS=ending" in last
            assert await service.wait() == 0
        finally:
            if service.returncode is None:
                os.kill(service.pid, signal.SIGKILL)
                await service.wait()
