"""The whole service over an INDI server that is killed and comes back, and a driver that dies."""

import asyncio
import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.service import RunningService, running_service
from polewright.core.errors import PolewrightError
from polewright.settings.model import Settings
from tests.system.evening_processes import SIMULATOR, write_sky
from tests.system.indi_servers import RunningServer, free_port, indi_server, needs_indiserver

pytestmark = [pytest.mark.indi, pytest.mark.slow, needs_indiserver, pytest.mark.timeout(180)]

SKY = 'seed = 31\nsite_name = "south"\n'
# Required from the moment at which the devices can be reached again (s).
RECOVERY_S = 10.0
READY_S = 60.0
NOTICED_S = 5.0


def settings_for(port: int) -> Settings:
    return Settings.model_validate(
        {
            "site": {"clock": "gps"},
            "mount": {"slug": "kudu", "device": "Kudu"},
            "camera": {"device": "Hoopoe", "exposure_s": 0.2},
            "indi": {"port": port},
            "mqtt": {"mode": "off"},
            "journal": {"mode": "off"},
            "survey": {"frames": 3, "sweep_deg": 45.0, "settle_s": 0.2},
        }
    )


async def until(condition: Callable[[], bool], within_s: float) -> float:
    """Wait until a condition holds; return how long that took (s)."""
    begun_s = time.monotonic()
    async with asyncio.timeout(within_s):
        for _ in range(1_000_000):
            if condition():
                break
            await asyncio.sleep(0.02)
    return time.monotonic() - begun_s


async def devices_answer(server: RunningServer) -> None:
    """Wait until a client of its own sees the camera: the end of the fault."""
    async with asyncio.timeout(READY_S):
        while True:
            try:
                async with IndiConnection.open(server.host, server.port) as probe:
                    await probe.wait_for("Hoopoe", "CONNECTION", lambda _: True, 20.0)
                    return
            except PolewrightError:
                await asyncio.sleep(0.1)


def driver_of(server: RunningServer) -> int:
    """Return the process of the server's only driver."""
    children = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(server.process.pid)],
        capture_output=True, text=True, check=True, timeout=10.0,
    ).stdout.split()  # fmt: skip
    (pid,) = children
    return int(pid)


def confirmed_survey(service: RunningService) -> "asyncio.Task[object]":
    async def survey() -> object:
        await service.evening.handle("confirm_clear", {})
        return await service.evening.handle("survey", {})

    return asyncio.create_task(survey())


@pytest.fixture
def sky(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_sky(tmp_path, monkeypatch, SKY)


async def test_a_server_killed_in_a_survey_ends_it_with_a_reason_and_is_used_again_by_itself(
    tmp_path: Path, sky: None
) -> None:
    port = free_port()
    async with indi_server(tmp_path, SIMULATOR, port=port) as first:
        await devices_answer(first)
        async with running_service(settings_for(port)) as service:
            evening = service.evening
            await until(evening.ready.is_set, READY_S)
            survey = confirmed_survey(service)
            await until(lambda: evening.state["state"] == "surveying", NOTICED_S)
            await asyncio.sleep(1.0)

            first.kill()
            await until(lambda: not evening.ready.is_set(), NOTICED_S)
            with pytest.raises(PolewrightError) as caught:
                async with asyncio.timeout(NOTICED_S):
                    await survey
            assert caught.value.remedy
            await until(lambda: evening.state["state"] == "blocked", NOTICED_S)
            assert "INDI server" in str(evening.state["reason"])
            assert evening.state["remedy"]

            async with indi_server(tmp_path, SIMULATOR, port=port) as second:
                await devices_answer(second)
                took_s = await until(evening.ready.is_set, RECOVERY_S)
                # A mount that moved when it was lost is to be looked at and confirmed first.
                await until(
                    lambda: (
                        evening.state["state"] == "idle"
                        or "lost while it moved" in str(evening.state["reason"])
                    ),
                    NOTICED_S,
                )
                result = await confirmed_survey(service)
            assert took_s < RECOVERY_S
            assert isinstance(result, dict)
            assert result["total_error_arcmin"] > 0.0


async def test_a_driver_killed_in_a_survey_ends_it_with_a_reason_and_the_next_survey_succeeds(
    tmp_path: Path, sky: None
) -> None:
    """indiserver starts it anew; its devices come back unconnected."""
    async with indi_server(tmp_path, SIMULATOR) as server:
        await devices_answer(server)
        async with running_service(settings_for(server.port)) as service:
            evening = service.evening
            await until(evening.ready.is_set, READY_S)
            survey = confirmed_survey(service)
            await until(lambda: evening.state["state"] == "surveying", NOTICED_S)
            await asyncio.sleep(1.0)

            os.kill(driver_of(server), signal.SIGKILL)
            with pytest.raises(PolewrightError) as caught:
                async with asyncio.timeout(RECOVERY_S):
                    await survey
            assert caught.value.remedy
            assert evening.state["reason"]
            assert evening.state["remedy"]

            await devices_answer(server)
            await until(evening.ready.is_set, RECOVERY_S)
            result = await confirmed_survey(service)
            assert isinstance(result, dict)
            assert result["total_error_arcmin"] > 0.0

            # Nothing moves now: the devices are away all the same, and it is told.
            os.kill(driver_of(server), signal.SIGKILL)
            await until(lambda: evening.state["state"] == "blocked", NOTICED_S)
            assert "vanished" in str(evening.state["reason"])
            await devices_answer(server)
            await until(evening.ready.is_set, RECOVERY_S)
            assert evening.state["state"] == "idle"
