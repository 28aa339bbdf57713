"""Many services on one broker: shown together, through a broker's restart, and stopped together."""

import asyncio
import contextlib
import io
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from polewright.adapters.mqtt.connection import open_client
from polewright.adapters.mqtt.fleet import stop_fleet
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.app.fleet import fleet_now, follow_fleet
from polewright.cli.fleet import stop_lines
from polewright.cli.main import main
from polewright.core.errors import DeviceError, LinkError
from polewright.session.fleet import FleetView
from polewright.session.mount_standing import Standing
from polewright.settings.devices import MountSettings
from polewright.settings.model import Settings
from tests.system.mqtt_brokers import Mosquitto, running, settings_for, wait_until

pytestmark = pytest.mark.broker

NAMES = ("kudu", "oryx", "eland")


class Mounts:
    """The MQTT side of several services; ``asked`` holds what each was told to do."""

    def __init__(self, port: int) -> None:
        self.settings = settings_for(port)
        self.asked: list[tuple[str, str]] = []
        self.deaf: set[str] = set()
        self.broken: set[str] = set()
        self.publishers: dict[str, MqttPublisher] = {}

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator["Mounts"]:
        async with contextlib.AsyncExitStack() as stack:
            for name in NAMES:
                settings = Settings(mount=MountSettings(slug=name), mqtt=self.settings.mqtt)
                publisher = MqttPublisher(MountTopics.of(settings))
                self.publishers[name] = publisher
                service = MqttService(settings, publisher, self._obeying(name))
                await stack.enter_async_context(running(service.run()))
                await service.wait_connected(10.0)
                self.state(name, "idle")
            yield self

    def _obeying(self, name: str) -> Any:
        async def obey(verb: str, _arguments: dict[str, Any], _reply: Any) -> dict[str, Any]:
            self.asked.append((name, verb))
            if name in self.deaf:
                await asyncio.Event().wait()
            if name in self.broken:
                raise DeviceError(
                    "the mount did not take the stop", remedy="Pull its plug.", code="not_stopped"
                )
            return {"stopped": name == "kudu"}

        return obey

    def state(self, name: str, state: str, **more: Any) -> None:
        message = {"state": state, "since": "2026-11-27T20:00:00Z"} | more
        self.publishers[name].publish("state", message, retain=True)


@pytest_asyncio.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    one = Mosquitto(tmp_path)
    await one.start()
    try:
        yield one
    finally:
        await one.stop()


async def test_one_stop_reaches_every_service_and_each_answer_is_told(broker: Mosquitto) -> None:
    async with Mounts(broker.port).running() as mounts:
        answers = await stop_fleet(mounts.settings, 5.0)
        assert sorted(mounts.asked) == [(name, "stop") for name in sorted(NAMES)]
        assert [(one.mount, one.answer) for one in answers] == [
            ("eland", "nothing_ran"), ("kudu", "stopped"), ("oryx", "nothing_ran"),
        ]  # fmt: skip
        async with open_client(mounts.settings.mqtt, identifier="gone") as (client, _):
            gone = f"{mounts.settings.mqtt.root}/kob/availability"
            await client.publish(gone, "offline", qos=1, retain=True)
        mounts.deaf, mounts.broken = {"oryx"}, {"eland"}
        lines = stop_lines(await stop_fleet(mounts.settings, 2.0))
    assert lines == [
        "eland DID NOT TAKE THE STOP: the mount did not take the stop. Pull its plug.",
        "NO ANSWER from oryx: it may not have arrived. Use the mount's own stop or its power "
        "switch now, if it moves.",
        "stopped: kudu",
        "not reached, since the broker does not hear them: kob. Switched off, or cut off at work: "
        "look, if one of them may move.",
    ]


async def test_a_display_lives_from_what_is_retained_and_through_a_brokers_restart(
    broker: Mosquitto,
) -> None:
    async with Mounts(broker.port).running() as mounts:
        mounts.state("oryx", "blocked", reason="no camera", remedy="Plug it in.")
        await asyncio.sleep(0.2)
        view = await fleet_now(mounts.settings)
        assert [(one.mount, one.standing) for one in view.rows()] == [
            ("oryx", Standing.BLOCKED),
            ("eland", Standing.NOT_MEASURED),
            ("kudu", Standing.NOT_MEASURED),
        ]
        live = FleetView()
        async with running(follow_fleet(mounts.settings, live)):
            await wait_until(lambda: len(live.rows()) == len(NAMES))
            await broker.stop()
            await wait_until(lambda: bool(live.link))
            assert len(live.rows()) == len(NAMES), "a broker that is away takes no mount along"
            await broker.start()
            await wait_until(lambda: not live.link, 20.0)
            mounts.state("oryx", "idle")
            await wait_until(lambda: live.rows()[0].standing is Standing.NOT_MEASURED, 20.0)


async def test_a_stop_without_a_broker_says_that_nobody_may_have_heard_it(
    broker: Mosquitto,
) -> None:
    await broker.stop()
    with pytest.raises(LinkError) as refused:
        await stop_fleet(settings_for(broker.port), 1.0)
    assert refused.value.code == "no_broker"


async def test_the_command_prints_all_mounts_and_asks_before_it_stops_them(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    file = tmp_path / "settings.toml"
    file.write_text(f'[mqtt]\nmode = "external"\nport = {broker.port}\n', "utf-8")

    def fleet(*arguments: str) -> int:
        return main(["fleet", *arguments, "--config", str(file)])

    assert await asyncio.to_thread(fleet, "--once") == 3
    assert "no mount has said anything" in capsys.readouterr().err
    async with Mounts(broker.port).running() as mounts:
        mounts.state("oryx", "blocked", reason="no camera", remedy="Plug it in.")
        await asyncio.sleep(0.2)
        assert await asyncio.to_thread(fleet, "--once", "--json") == 3
        told = json.loads(capsys.readouterr().out)
        assert told["counts"] == {"blocked": 1, "not_measured": 2}
        assert await asyncio.to_thread(fleet, "--once") == 3
        lines = capsys.readouterr().out.splitlines()
        assert lines[0] == "3 mounts: 1 blocked, 2 not measured"
        assert lines[2].split() == ["BLOCKED", "oryx", "-", "-", "-", "blocked"]
        assert lines[3].strip() == "no camera. Plug it in."
        assert await asyncio.to_thread(fleet, "--stop") == 2
        assert mounts.asked == []
        monkeypatch.setattr("sys.stdin", _Terminal("no\n"))
        assert await asyncio.to_thread(fleet, "--stop") == 2
        assert mounts.asked == []
        monkeypatch.setattr("sys.stdin", _Terminal("stop\n"))
        assert await asyncio.to_thread(fleet, "--stop") == 0
        assert len(mounts.asked) == len(NAMES)


class _Terminal(io.StringIO):
    """A person at the keyboard."""

    def isatty(self) -> bool:
        return True
