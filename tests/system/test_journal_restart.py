"""A service that is killed -9 while the bolts are turned: what the next one knows."""

import asyncio
import contextlib
import json
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import connect_bolts
from tests.system.commands import POLEWRIGHT, _environment, polewright, service
from tests.system.indi_servers import indi_server, needs_indiserver
from tests.system.mqtt_brokers import Mosquitto
from tests.system.test_whole_loop import SETTINGS, SIMULATOR, SKY, _until_ready

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]


@asynccontextmanager
async def killed_service(home, *arguments: str) -> AsyncIterator[None]:
    """Run the service, and kill it -9 at the end."""
    with (home / "killed.log").open("wb") as log:
        process = await asyncio.create_subprocess_exec(
            *POLEWRIGHT, "run", *arguments, cwd=home, env=_environment(home),
            stdout=log, stderr=log,
        )  # fmt: skip
        try:
            yield
        finally:
            process.kill()
            assert await process.wait() == -signal.SIGKILL


@pytest.mark.timeout(180)
async def test_a_killed_service_is_followed_by_one_that_knows_the_survey(tmp_path, monkeypatch):
    sky = tmp_path / "sky.toml"
    sky.write_text(SKY.format(seed=23, site="south"))
    monkeypatch.setenv("POLEWRIGHT_SKY", str(sky))
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        async with indi_server(tmp_path, SIMULATOR) as server:
            config = tmp_path / "polewright.toml"
            config.write_text(SETTINGS.format(indi=server.port, mqtt=broker.port))
            with_config = ("--json", "--config", str(config))
            async with IndiConnection.open("127.0.0.1", server.port) as bench:
                async with killed_service(tmp_path, "--config", str(config)):
                    await connect_bolts(bench)
                    await _until_ready(tmp_path, config)
                    surveyed = await polewright(tmp_path, "survey", "--clear", *with_config)
                    assert surveyed.code == 1, surveyed.err
                    adjusting = asyncio.create_task(polewright(tmp_path, "adjust", *with_config))
                    await _until_corrected(tmp_path, with_config)
                assert (await adjusting).code == 3, "its service is gone"

                listed = await polewright(tmp_path, "history", *with_config)
                (kept,) = listed.json["surveys"]
                told = surveyed.json
                assert kept["total_error_arcmin"] == pytest.approx(
                    told["total_error_arcmin"], abs=1e-4
                )
                replayed = await polewright(tmp_path, "history", "replay", *with_config)
                assert replayed.code == 0, replayed.out
                (survey,) = replayed.json["surveys"]
                assert survey["identical"]
                assert survey["corrections"] >= 3

                async with service(tmp_path, "--config", str(config)) as log:
                    await _until_ready(tmp_path, config)
                    status = await polewright(tmp_path, "status", *with_config)
                    survey = status.json["survey"]
                    assert survey["axis_azimuth_deg"] == told["axis_azimuth_deg"]
                    assert survey["age_s"] > 0
                    again = asyncio.create_task(polewright(tmp_path, "adjust", *with_config))
                    await _until_corrected(tmp_path, with_config)
                    await polewright(tmp_path, "stop", *with_config)
                    assert (await again).json["stopped"] is True
                    assert "the last survey, of" in log.read_text()
    finally:
        await broker.stop()


async def _until_corrected(home, with_config) -> None:
    """Wait until some live corrections have been told."""
    for _ in range(60):
        status = await polewright(home, "status", *with_config)
        with contextlib.suppress(json.JSONDecodeError, IndexError):
            correction = status.json.get("correction") or {}
            if correction.get("live") and correction["sequence"] >= 3:
                return
        await asyncio.sleep(0.3)
    pytest.fail(f"no corrections were told: {status.out} {status.err}")
