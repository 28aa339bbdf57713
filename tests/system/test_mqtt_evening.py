"""A whole evening over mosquitto: every message fits the published schemas, kill and restart."""

import asyncio
import contextlib
import json
import signal
import socket
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from polewright.adapters.mqtt.client import watch_topics
from polewright.app.rehearsal import connect_bolts, turn_by_display
from polewright.core.errors import LinkError
from polewright.settings.load import load_settings
from tests.system.commands import POLEWRIGHT, _environment
from tests.system.evening_processes import (
    NO_PAGE,
    SHORT_SURVEY,
    STARTED_S,
    evening_processes,
    settings_text,
    with_fast_slews,
)
from tests.system.indi_servers import free_port, needs_indiserver
from tests.system.mqtt_brokers import Mosquitto, wait_until
from tests.system.mqtt_rubbish import connect_packet
from tests.system.published_schemas import PublishedSchemas
from tests.system.warm_processes import WarmProcess, running

pytestmark = [pytest.mark.broker, pytest.mark.slow, pytest.mark.timeout(300)]


class Witness:
    """Sees everything of one mount, through restarts of the broker, and judges it."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.schemas = PublishedSchemas()
        self.messages: list[tuple[float, str, Any]] = []
        self.connected = asyncio.Event()

    def of(self, topic: str) -> list[Any]:
        return [payload for _, name, payload in self.messages if name == topic]

    async def watch(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client("127.0.0.1", self._port) as client:
                    await client.subscribe("polewright/kudu/#", qos=1)
                    self.connected.set()
                    async for message in client.messages:
                        self._take(message)
            await asyncio.sleep(0.1)

    def _take(self, message: aiomqtt.Message) -> None:
        topic = str(message.topic).removeprefix("polewright/kudu/")
        payload = bytes(message.payload)
        if not payload:
            return  # a retained message is taken away
        self.schemas.judge(topic, payload)
        text = payload.decode()
        told = json.loads(text) if text.startswith("{") else text
        self.messages.append((time.monotonic(), topic, told))


@contextlib.asynccontextmanager
async def witnessing(port: int) -> AsyncIterator[Witness]:
    witness = Witness(port)
    task = asyncio.create_task(witness.watch())
    try:
        await asyncio.wait_for(witness.connected.wait(), 10)
        yield witness
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.mark.indi
@needs_indiserver
@pytest.mark.timeout(400)
async def test_every_message_of_an_evening_fits_its_schema_and_a_restarted_broker_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Survey, adjust, kill the broker in mid-adjustment, start it again, adjust to the end."""
    sky = 'seed = 23\nsite_name = "south"\n'
    more = NO_PAGE + SHORT_SURVEY
    async with (
        evening_processes(tmp_path, monkeypatch, sky=sky, more=more) as evening,
        witnessing(evening.broker.port) as witness,
    ):
        async with evening.service():
            await connect_bolts(evening.bench)
            await wait_until(lambda: _step(witness) == "ready", 60)
            where = ("--json", "--config", str(evening.config))
            # A refusal, so that error replies are judged as well.
            assert (await evening.says("survey")).code == 3
            survey = await evening.says("survey", "--clear")
            assert survey.code == 1, survey.err

            async with running(
                tmp_path, "adjust", *where, log=tmp_path / "adjust.log"
            ) as adjusting:
                await wait_until(lambda: _newest(witness) >= 3, 60)
                await evening.broker.stop()
                # The command that followed it over the broker has lost its service.
                await asyncio.wait_for(adjusting.wait(), 30)
            before, stopped_at = _newest(witness), len(witness.messages)
            await asyncio.sleep(2.0)
            await evening.broker.start()
            restarted_s = time.monotonic()
            await wait_until(lambda: _newest(witness, stopped_at) > before, 20)
            # Frames went on being measured while there was no broker.
            assert _newest(witness) >= before + 2
            assert time.monotonic() - restarted_s < 15
            retained = {"availability", "state", "survey", "site", "health", "correction"}
            await wait_until(
                lambda: retained <= {topic for _, topic, _ in witness.messages[stopped_at:]}, 5
            )

            await turn_by_display(
                load_settings(evening.config), None, evening.bench, lambda _s, _p: None
            )
            stopped = await evening.says("stop")
            assert stopped.json["stopped"] is True
        await wait_until(lambda: witness.of("availability")[-1] == "offline", 10)
    assert witness.schemas.problems == []
    counts = witness.schemas.counts
    expected = {
        "availability", "state", "survey", "correction", "targets", "site", "event", "health",
        "reply", "correction.altitude_arcmin", "correction.verdict", "correction.closeness",
        "correction.azimuth_words", "command.survey", "command.adjust", "command.stop",
    }  # fmt: skip
    assert expected <= set(counts), counts
    assert counts["correction"] > 10
    assert any(reply["status"] == "failed" for name, reply in _replies(witness))
    events = {event["code"] for event in witness.of("event")}
    assert "good_enough" in events
    healths = witness.of("health")
    assert any(one["indi"]["connected"] and one["broker"]["echo"] == "passed" for one in healths)


@pytest.mark.timeout(400)
async def test_every_message_of_a_demo_run_fits_its_schema(tmp_path: Path) -> None:
    """The rehearsal as a person starts it, with its embedded broker on whatever port it took."""
    sky = tmp_path / "sky.toml"
    sky.write_text(with_fast_slews(""))
    demo = await asyncio.create_subprocess_exec(
        *POLEWRIGHT, "demo", "--seed", "11", cwd=tmp_path,
        env=_environment(tmp_path) | {"POLEWRIGHT_SKY": str(sky)},
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    try:
        ports: list[int] = []

        def found() -> bool:
            assert demo.returncode is None, "it ended before it had a broker"
            ports[:] = broker_ports(demo.pid)
            return bool(ports)

        await wait_until(found, 150)
        async with witnessing(ports[0]) as witness:
            assert await asyncio.wait_for(demo.wait(), 200) == 0
    finally:
        if demo.returncode is None:
            demo.kill()
            await demo.wait()
    assert witness.schemas.problems == []
    counts = witness.schemas.counts
    expected = {
        "availability", "state", "survey", "correction", "targets", "health", "reply",
        "command.survey", "command.adjust", "command.stop", "correction.closeness",
    }  # fmt: skip
    assert expected <= set(counts), counts
    assert sum(counts.values()) > 100
    assert "good_enough" in {event["code"] for event in witness.of("event")}


def listening_ports(pid: int) -> list[int]:
    """Return the loopback TCP ports at which a process listens (proc(5), /proc/net/tcp)."""
    own = set()
    with contextlib.suppress(FileNotFoundError):
        for one in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):
                own.add(one.readlink().name)
    rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return [
        int(row[1].split(":")[1], 16)
        for row in rows
        if row[3] == "0A" and f"socket:[{row[9]}]" in own
    ]


def broker_ports(pid: int) -> list[int]:
    """Return the ports at which a process serves MQTT."""
    return [port for port in listening_ports(pid) if is_broker(port)]


def is_broker(port: int) -> bool:
    """Return whether what listens there answers a CONNECT with a CONNACK (MQTT 3.1.1, 3.2)."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=2) as link:
            link.sendall(connect_packet("look"))
            return link.recv(1) == b"\x20"
    except OSError:
        return False


def _step(witness: Witness) -> str | None:
    states = witness.of("state")
    return states[-1]["step"] if states and states[-1]["state"] == "idle" else None


def _newest(witness: Witness, since: int = 0) -> int:
    seen = [
        told["sequence"] for _, topic, told in witness.messages[since:] if topic == "correction"
    ]
    return max(seen, default=0)


def _replies(witness: Witness) -> list[tuple[str, Any]]:
    return [(topic, told) for _, topic, told in witness.messages if topic.startswith("reply/")]


def test_a_message_that_breaks_its_schema_is_found_out() -> None:
    """The judge itself can say no."""
    schemas = PublishedSchemas()
    good = {"v": 1, "at": "2026-03-01T18:00:00Z", "level": "info", "code": "x", "text": "y"}
    schemas.judge("event", json.dumps(good).encode())
    assert schemas.problems == []
    schemas.judge("event", json.dumps(good | {"level": "dire"}).encode())
    schemas.judge("event", json.dumps(good | {"at": "2026-03-01T18:00:00"}).encode())
    schemas.judge("correction/verdict", b"perhaps")
    schemas.judge("weather", b"fine")
    assert len(schemas.problems) == 4


@contextlib.asynccontextmanager
async def started(home: Path, config: Path) -> AsyncIterator[WarmProcess]:
    """Run the service; it may be killed inside."""
    arguments = ("run", "--config", str(config))
    async with running(home, *arguments, log=home / "service.log") as process:
        try:
            yield process
        finally:
            process.terminate()
            await asyncio.wait_for(process.wait(), 15)


async def test_a_service_that_is_killed_is_offline_by_its_will_and_online_when_it_is_back(
    tmp_path: Path,
) -> None:
    mosquitto = Mosquitto(tmp_path)
    await mosquitto.start()
    config = tmp_path / "polewright.toml"
    config.write_text(
        settings_text(indi_port=free_port(), mqtt_port=mosquitto.port, clock="host", more=NO_PAGE)
    )
    try:
        async with witnessing(mosquitto.port) as witness:
            async with started(tmp_path, config) as process:
                await wait_until(lambda: witness.of("availability")[-1:] == ["online"], STARTED_S)
                await wait_until(lambda: bool(witness.of("health")), 10)
                # No INDI server: the reason is told, as a state and once as an event.
                await wait_until(lambda: witness.of("state")[-1]["state"] == "blocked", STARTED_S)
                await wait_until(lambda: witness.of("health")[-1]["broker"]["connected"], 10)
                process.send_signal(signal.SIGKILL)
                await process.wait()
                killed_s = time.monotonic()
                await wait_until(lambda: witness.of("availability")[-1] == "offline", 10)
                assert time.monotonic() - killed_s < 5
            async with started(tmp_path, config):
                await wait_until(lambda: witness.of("availability")[-1] == "online", STARTED_S)
            await wait_until(lambda: witness.of("availability")[-1] == "offline", 10)
            assert witness.schemas.problems == []
            assert {event["code"] for event in witness.of("event")} == {"blocked"}
    finally:
        await mosquitto.stop()


async def test_with_the_embedded_broker_a_killed_service_takes_the_link_with_it(
    tmp_path: Path,
) -> None:
    """Nobody is left to speak a last will: a display sees that its connection ends."""
    config = tmp_path / "polewright.toml"
    port = free_port()
    config.write_text(
        settings_text(
            indi_port=free_port(), mqtt_port=port, mode="embedded", clock="host", more=NO_PAGE
        )
    )
    settings = load_settings(config)
    async with started(tmp_path, config) as process:
        topics: list[str] = []

        async def look() -> None:
            async for update in watch_topics(settings):
                topics.append(update.topic)  # noqa: PERF401 - they are looked at while they come

        # Not by connecting: a connection to a free port of one's own may meet itself.
        listens = f"0100007F:{port:04X} 00000000:0000 0A"
        await wait_until(lambda: listens in Path("/proc/net/tcp").read_text(), STARTED_S)
        looking = asyncio.create_task(look())
        await wait_until(lambda: {"state", "health"} <= set(topics), STARTED_S)
        process.send_signal(signal.SIGKILL)
        await process.wait()
        with pytest.raises(LinkError) as caught:
            await asyncio.wait_for(looking, 10)
        assert caught.value.code == "broker_lost"
    assert "availability" in topics
