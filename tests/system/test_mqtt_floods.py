"""Floods of rubbish against real brokers: corrections go on, stop is heard, memory is bounded."""

import asyncio
import contextlib
import itertools
import json
import logging
import sys
import time
from typing import Any

import aiomqtt
import pytest

from polewright.adapters.mqtt.client import send_command
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import LinkError
from polewright.settings.model import Settings
from tests.system.mqtt_brokers import (
    Broker,
    Mosquitto,
    broker,
    running,
    settings_for,
    wait_until,
)
from tests.system.test_mqtt_service import CORRECTION

pytestmark = [pytest.mark.broker, pytest.mark.slow]
__all__ = ["broker"]

RATE_PER_S = 10_000
FLOOD_S = 4.0
# Frames come about twice a second.
PERIOD_S = 0.4
# The promise: corrections go on within this.
LONGEST_GAP_S = 2.0


async def obey(verb: str, arguments: dict[str, Any], reply: Any) -> dict[str, Any]:
    return {"obeyed": verb}


class Display:
    """Notes when each correction came."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.arrivals_s: dict[int, float] = {}

    async def look(self) -> None:
        async with aiomqtt.Client("127.0.0.1", self._port) as client:
            await client.subscribe("polewright/kudu/correction")
            async for message in client.messages:
                # The embedded broker brings other retained topics, too.
                if str(message.topic).endswith("/correction") and message.payload:
                    sequence = json.loads(bytes(message.payload))["sequence"]
                    self.arrivals_s.setdefault(sequence, time.monotonic())


async def speak(publisher: MqttPublisher, published_s: dict[int, float]) -> None:
    for sequence in range(10_000):
        published_s[sequence] = time.monotonic()
        publisher.publish("correction", CORRECTION | {"sequence": sequence}, retain=True)
        await asyncio.sleep(PERIOD_S)


async def repeated(settings: Settings, verb: str, times: int) -> dict[str, Any]:
    """Send a command again where a broker that is full has dropped it."""
    for _ in range(times - 1):
        with contextlib.suppress(LinkError):
            return await send_command(settings, verb, timeout_s=6)
    return await send_command(settings, verb, timeout_s=6)


@pytest.mark.alone
@pytest.mark.parametrize(
    "verbs", [("survey", "adjust", "dance", "turned"), ("stop",)], ids=["others", "stop"]
)
async def test_ten_thousand_rubbish_commands_a_second_do_not_hold_up_the_corrections(
    broker: Broker, verbs: tuple[str, ...], caplog: pytest.LogCaptureFixture
) -> None:
    """Unknown verbs, wrong types, binary, deep JSON and megabytes; the embedded broker takes fewer
    a second than are offered, since it lets a client wait that sends too fast."""
    caplog.set_level(logging.WARNING, logger="polewright")
    settings = settings_for(broker.port)
    publisher = MqttPublisher(MountTopics.of(settings))
    service = MqttService(settings, publisher, obey)
    display = Display(broker.port)
    published_s: dict[int, float] = {}
    async with running(service.run()), running(display.look()):
        assert await service.wait_connected(10)
        await wait_until(lambda: service.health()["echo"] == "passed")
        async with running(speak(publisher, published_s)):
            await wait_until(lambda: len(display.arrivals_s) > 1)
            flood = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "tests.system.mqtt_rubbish", str(broker.port), str(FLOOD_S),
                str(RATE_PER_S), "polewright/kudu", *verbs, stdout=asyncio.subprocess.PIPE,
            )  # fmt: skip
            await wait_until(lambda: service.health()["dropped_commands"] > 100)
            begun = len(published_s)
            if verbs != ("stop",):
                asked_s = time.monotonic()
                assert await send_command(settings, "stop", timeout_s=10) == {"obeyed": "stop"}
                assert time.monotonic() - asked_s < LONGEST_GAP_S
            output, _ = await asyncio.wait_for(flood.communicate(), 30)
            ended = len(published_s)
            await wait_until(lambda: ended - 1 in display.arrivals_s, 5)
        in_time = [
            display.arrivals_s[sequence] - published_s[sequence]
            for sequence in range(begun, ended)
            if sequence in display.arrivals_s
        ]
        assert len(in_time) >= 4
        assert max(in_time) < LONGEST_GAP_S
        arrivals_s = sorted(display.arrivals_s.values())
        gaps_s = [b - a for a, b in itertools.pairwise(arrivals_s)]
        assert max(gaps_s) < LONGEST_GAP_S
        assert service.health()["connected"]
        assert service.health()["connections"] == 1
        if isinstance(broker, Mosquitto):
            assert int(output) > 0.7 * RATE_PER_S * FLOOD_S
        # It lives on: commands are answered again once the broker has worked off what it kept.
        assert await repeated(settings, "survey", 3) == {"obeyed": "survey"}
    texts = [record.getMessage() for record in caplog.records]
    assert any("come too fast" in text for text in texts)
    # About twenty refusals a second are told one by one, and the rest by number.
    assert len(texts) < 300


async def test_a_megabyte_is_refused_or_kept_by_the_broker_and_the_service_stays(
    broker: Broker,
) -> None:
    """MQTT 5 lets a client say how much it takes; 3.1.1 brings it, and it is refused."""
    settings = settings_for(broker.port)
    service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), obey)
    async with running(service.run()), aiomqtt.Client("127.0.0.1", broker.port) as client:
        assert await service.wait_connected(10)
        await client.subscribe("polewright/kudu/reply/invalid")
        huge = b'{"id":"huge","padding":"' + b"x" * 1_000_000 + b'"}'
        await client.publish("polewright/kudu/command/survey", huge, qos=1, timeout=20)
        if not isinstance(broker, Mosquitto):
            async with asyncio.timeout(10):
                async for message in client.messages:
                    if "/reply/" in str(message.topic):
                        break
            error = json.loads(bytes(message.payload))["error"]
            assert error["code"] == "payload_too_large"
        assert await send_command(settings, "survey", timeout_s=10) == {"obeyed": "survey"}
        assert service.health()["connections"] == 1
