"""Stop without a broker: the command line reaches a service on this machine all the same."""

import asyncio
import contextlib
import json
import os
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from polewright.adapters.direct import stop_door
from polewright.adapters.direct.stop_door import stop_directly
from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import BOLTS_DEVICE, connect_bolts
from polewright.core.errors import DeviceError, LinkError
from polewright.settings.model import Settings
from tests.system.commands import polewright
from tests.system.evening_processes import settings_text
from tests.system.indi_servers import indi_server, needs_indiserver
from tests.system.mqtt_brokers import Mosquitto, wait_until
from tests.system.warm_processes import running, service, simulator_door

# What a person at the mount is promised (s).
STOPS_WITHIN_S = 5.0


@pytest.mark.indi
@pytest.mark.broker
@needs_indiserver
@pytest.mark.timeout(180)
@pytest.mark.parametrize("broker_is", ["killed", "frozen"])
async def test_a_survey_is_stopped_while_the_broker_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broker_is: str
) -> None:
    (tmp_path / "sky.toml").write_text('seed = 23\nsite_name = "south"\n')
    monkeypatch.setenv("POLEWRIGHT_SKY", str(tmp_path / "sky.toml"))
    mosquitto = Mosquitto(tmp_path)
    await mosquitto.start()
    config = tmp_path / "polewright.toml"
    where = ("--json", "--config", str(config))
    try:
        async with (
            indi_server(tmp_path, simulator_door(tmp_path)) as server,
            IndiConnection.open("127.0.0.1", server.port) as bench,
        ):
            config.write_text(settings_text(indi_port=server.port, mqtt_port=mosquitto.port))
            async with (
                service(tmp_path, "--config", str(config)) as log,
                contextlib.AsyncExitStack() as surveying,
            ):
                # 10 s are too few for the simulator to start on a busy machine.
                await bench.wait_for(BOLTS_DEVICE, "CONNECTION", lambda _: True, 60)
                await connect_bolts(bench)
                await wait_until(lambda: "ready: camera" in log.read_text(), 60)
                survey = running(tmp_path, "survey", "--clear", *where, log=tmp_path / "survey.log")
                await surveying.enter_async_context(survey)
                await wait_until(lambda: "idle -> surveying" in log.read_text(), 60)
                if broker_is == "killed":
                    await mosquitto.stop()
                else:
                    mosquitto.freeze()
                asked_s = time.monotonic()
                stopping = asyncio.create_task(polewright(tmp_path, "stop", *where, timeout_s=25))
                await wait_until(lambda: "surveying -> idle" in log.read_text(), STOPS_WITHIN_S)
                stopped_s = time.monotonic() - asked_s
                stopped = await stopping
                assert stopped.code == 0, stopped.err
                assert stopped.json["stopped"] is True
                assert stopped_s < STOPS_WITHIN_S
                pointing = await bench.wait_for("Kudu", "EQUATORIAL_EOD_COORD", lambda _: True, 5)
                assert not pointing.busy
    finally:
        await mosquitto.stop()


async def test_without_broker_and_service_it_says_so(tmp_path: Path) -> None:
    (tmp_path / "polewright.toml").write_text('[mqtt]\nmode = "off"\n')
    stopped = await polewright(tmp_path, "stop", "--json", "--config", "polewright.toml")
    assert stopped.code == 3
    assert stopped.json["error"]["code"] == "no_service"


@pytest.fixture
def folder(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A runtime folder with a short name."""
    with tempfile.TemporaryDirectory(prefix="polewright-") as name:
        monkeypatch.setenv("XDG_RUNTIME_DIR", name)
        yield Path(name) / "polewright"


def mode(path: Path) -> int:
    return path.stat().st_mode & 0o777


def named(slug: str) -> Settings:
    return Settings.model_validate({"mount": {"slug": slug}})


@contextlib.asynccontextmanager
async def opened(slug: str, told: list[str], **more: Any) -> AsyncIterator[Path]:
    async def stop() -> dict[str, Any]:
        told.append(slug)
        if "fails" in more:
            raise more["fails"]
        return {"stopped": True}

    async with stop_door.stop_door(named(slug), stop) as path:
        assert path is not None
        yield path


async def test_the_door_is_its_owners_alone_and_leaves_nothing_behind(folder: Path) -> None:
    async with opened("kudu", []) as path:
        assert (mode(path), mode(folder)) == (0o600, 0o700)
    assert os.listdir(folder) == []


async def test_a_stop_goes_to_this_mount_and_to_no_other(folder: Path) -> None:
    told: list[str] = []
    async with opened("kudu", told), opened("kudu-2", told):
        assert await stop_directly(named("kudu")) == {"stopped": True}
        assert told == ["kudu"]
        assert await stop_directly(named("ku")) is None


async def test_what_a_killed_service_left_behind_is_no_answer_and_goes_away(folder: Path) -> None:
    async with opened("kudu", []) as path:
        dead = path.with_name(path.name.replace(f"+{os.getpid()}", "+1"))
    server = await asyncio.start_unix_server(lambda _r, _w: None, dead)
    server.close()
    assert dead.exists()
    assert await stop_directly(named("kudu")) is None
    async with opened("kudu", []):
        assert not dead.exists()
        assert await stop_directly(named("kudu")) == {"stopped": True}


async def test_a_folder_that_others_may_write_to_is_not_used(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    os.mkdir(folder)
    os.chmod(folder, 0o777)

    async def stop() -> dict[str, Any]:
        return {}

    async with stop_door.stop_door(named("kudu"), stop) as path:
        assert path is None
    assert "Stop cannot come without broker or page" in caplog.text
    assert await stop_directly(named("kudu")) is None


async def test_a_stop_that_failed_is_told_with_its_remedy(folder: Path) -> None:
    trouble = DeviceError("the motors did not stop", remedy="Cut their power.", code="no_stop")
    async with opened("kudu", [], fails=trouble):
        with pytest.raises(LinkError, match="the motors did not stop") as caught:
            await stop_directly(named("kudu"))
    assert (caught.value.remedy, caught.value.code) == ("Cut their power.", "no_stop")


async def test_anything_but_stop_is_not_answered(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stop_door, "_ASK_TIMEOUT_S", 0.2)
    told: list[str] = []
    async with opened("kudu", told) as path:
        for words in (b"survey\n", b"x" * 5000, b"\xff\x00\n", b"", json.dumps({}).encode()):
            reader, writer = await asyncio.open_unix_connection(path)
            writer.write(words)
            with contextlib.suppress(ConnectionError):
                assert await asyncio.wait_for(reader.read(), 5) == b""
            writer.close()
        assert told == []
        assert await stop_directly(named("kudu")) == {"stopped": True}
