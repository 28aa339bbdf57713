"""The service over real brokers: retained state, last will, restarts, and no broker at all."""

import asyncio
import json
import logging
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from polewright.adapters.mqtt.client import watch_topics
from polewright.adapters.mqtt.embedded_broker import Subscriptions
from polewright.adapters.mqtt.instance import ensure_alone
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import LinkError
from polewright.settings.model import Settings
from tests.system.mqtt_brokers import (
    BreakableLink,
    Broker,
    Mosquitto,
    broker,
    free_port,
    listening,
    running,
    settings_for,
    wait_until,
)

pytestmark = pytest.mark.broker
__all__ = ["broker"]

STATE = {"state": "idle", "since": datetime(2026, 3, 1, 18, 0, tzinfo=UTC)}

CORRECTION: dict[str, Any] = {
    "sequence": 1,
    "altitude_error_arcmin": 3.2,
    "altitude_error_sigma_arcmin": 0.1,
    "azimuth_error_arcmin": -7.5,
    "azimuth_error_sigma_arcmin": 0.1,
    "azimuth_error_on_sky_arcmin": -6.33,
    "total_error_arcmin": 7.09,
    "total_error_sigma_arcmin": 0.1,
    "altitude_words": "lower the axis 3.2 arcmin",
    "azimuth_words": "turn the mount head 7.5 arcmin toward the east",
    "altitude_turns": None,
    "azimuth_turns": 0.1,
    "closeness": 42.0,
    "verdict": "not_yet",
    "live": True,
    "frame_age_s": 0.2,
    "latency_ms": 31.0,
}


async def no_commands(verb: str, arguments: dict[str, Any], reply: Any) -> dict[str, Any]:
    raise AssertionError(f"no command was sent, but {verb} came")


def service_for(settings: Settings, **options: Any) -> tuple[MqttService, MqttPublisher]:
    publisher = MqttPublisher(MountTopics.of(settings))
    return MqttService(settings, publisher, no_commands, **options), publisher


async def retained(settings: Settings, *filters: str, wait_s: float = 0.4) -> dict[str, Any]:
    """Return what a display that comes late is told."""
    told: dict[str, Any] = {}
    try:
        async with asyncio.timeout(wait_s):
            async for update in watch_topics(settings, *filters):
                if update.retained:
                    told[update.topic] = update.payload
    except TimeoutError:
        pass
    return told


async def test_a_late_display_sees_the_retained_state_and_scalars(broker: Broker) -> None:
    settings = settings_for(broker.port)
    service, publisher = service_for(settings)
    async with listening(broker.port) as listener, running(service.run()):
        publisher.publish("state", STATE, retain=True)
        publisher.publish("correction", CORRECTION, retain=True)
        assert await service.wait_connected(5)
        await wait_until(lambda: bool(listener.texts("correction/closeness")))
        told = await retained(settings)
        assert told["availability"] == "online"
        assert told["state"]["state"] == "idle"
        assert told["state"]["since"] == "2026-03-01T18:00:00.000Z"
        assert told["state"]["v"] == 1
        assert told["correction"]["altitude_error_arcmin"] == 3.2
        assert told["correction/altitude_arcmin"] == "3.20"
        assert told["correction/azimuth_arcmin"] == "-7.50"
        assert told["correction/closeness"] == "42"
        assert told["correction/verdict"] == "not_yet"
        await wait_until(lambda: service.health()["echo"] == "passed")
        assert listener.checked >= 2


async def test_an_orderly_end_leaves_nothing_that_looks_live(broker: Broker) -> None:
    settings = settings_for(broker.port)
    service, publisher = service_for(settings)
    async with running(service.run()):
        assert await service.wait_connected(5)
        publisher.publish("correction", CORRECTION, retain=True)
        await asyncio.sleep(0.3)
        assert (await retained(settings, "correction/#"))["correction/altitude_arcmin"] == "3.20"
    told = await retained(settings)
    assert told["availability"] == "offline"
    assert told["correction"]["live"] is False
    assert told["correction/altitude_arcmin"] == "none"
    assert told["correction/altitude_words"] == "--"
    assert told["correction/closeness"] == "0"


async def test_the_last_will_speaks_when_the_socket_dies(broker: Broker) -> None:
    async with BreakableLink(broker.port) as link, listening(broker.port) as listener:
        service, _ = service_for(settings_for(link.port))
        async with running(service.run()):
            assert await service.wait_connected(5)
            await wait_until(lambda: "online" in listener.texts("availability"))
            await link.cut()
            await wait_until(lambda: listener.texts("availability")[-1] == "offline")
            assert not service.health()["connected"]


async def test_a_restarted_broker_is_told_everything_again_and_publishing_never_waits(
    broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="polewright")
    settings = settings_for(broker.port)
    service, publisher = service_for(settings)
    async with running(service.run()):
        publisher.publish("state", STATE, retain=True)
        assert await service.wait_connected(5)
        await asyncio.sleep(0.2)
        assert "state" in await retained(settings)
        await broker.stop()
        await wait_until(lambda: not service.health()["connected"])
        longest_s = 0.0
        for sequence in range(500):
            start_s = time.perf_counter()
            publisher.publish("correction", CORRECTION | {"sequence": sequence}, retain=True)
            longest_s = max(longest_s, time.perf_counter() - start_s)
            await asyncio.sleep(0)
        assert longest_s < 0.05
        await broker.start()
        restarted_s = time.monotonic()
        assert await service.wait_connected(10)
        back_s = time.monotonic() - restarted_s
        await asyncio.sleep(0.3)
        told = await retained(settings)
        assert told["state"]["state"] == "idle"
        assert told["correction"]["sequence"] == 499
        assert told["availability"] == "online"
        # Three waits of 0.25 s, 0.5 s and 1 s with jitter, and the search for another service.
        assert back_s < 4.0
    lines = [
        record.getMessage()
        for record in caplog.records
        if record.levelno == logging.WARNING and record.name.startswith("polewright")
    ]
    assert 1 <= len(lines) <= 2, lines


async def test_without_a_broker_one_line_is_logged_and_the_service_keeps_trying(
    caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    caplog.set_level(logging.DEBUG, logger="polewright")
    mosquitto = Mosquitto(tmp_path)
    settings = settings_for(mosquitto.port)
    await ensure_alone(settings)
    service, publisher = service_for(settings)
    async with running(service.run()):
        publisher.publish("state", STATE, retain=True)
        assert not await service.wait_connected(1.5)
        warnings = [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING]
        assert len(warnings) == 1
        assert warnings[0].startswith(f"No MQTT broker answers at 127.0.0.1:{mosquitto.port}")
        assert service.health()["problem"] == warnings[0]
        await mosquitto.start()
        try:
            assert await service.wait_connected(6)
            assert service.health()["problem"] is None
            await asyncio.sleep(0.1)
            assert (await retained(settings))["state"]["state"] == "idle"
        finally:
            await mosquitto.stop()


async def test_a_frozen_broker_does_not_stop_the_publishing_side(tmp_path: Path) -> None:
    mosquitto = Mosquitto(tmp_path)
    await mosquitto.start()
    service, publisher = service_for(settings_for(mosquitto.port))
    try:
        async with running(service.run()):
            assert await service.wait_connected(5)
            mosquitto.freeze()
            start_s = time.perf_counter()
            for sequence in range(2000):
                publisher.publish("correction", CORRECTION | {"sequence": sequence}, retain=True)
            publisher.publish("state", STATE, retain=True)
            assert time.perf_counter() - start_s < 2.0
            # The unanswered state tells within five seconds, long before the keep-alive.
            await wait_until(lambda: not service.health()["connected"], 8.0)
    finally:
        await mosquitto.stop()


async def test_the_scalars_come_at_most_five_times_a_second_and_the_last_one_comes(
    broker: Broker,
) -> None:
    settings = settings_for(broker.port)
    service, publisher = service_for(settings)
    async with listening(broker.port) as listener, running(service.run()):
        assert await service.wait_connected(5)
        for sequence in range(100):
            publisher.publish(
                "correction",
                CORRECTION | {"sequence": sequence, "altitude_error_arcmin": sequence / 10},
                retain=True,
            )
            await asyncio.sleep(0.01)
        await wait_until(lambda: "9.90" in listener.texts("correction/altitude_arcmin"))
        times_s = [
            at_s
            for at_s, (topic, _, _) in zip(listener.times_s, listener.messages, strict=True)
            if topic == "correction/altitude_arcmin"
        ]
        assert len(times_s) <= (times_s[-1] - times_s[0]) / 0.2 + 2
        assert len(listener.texts("correction")) > len(times_s)
        assert json.loads(listener.texts("correction")[-1])["sequence"] == 99


async def test_a_second_service_for_the_same_mount_is_refused(broker: Broker) -> None:
    settings = settings_for(broker.port)
    await ensure_alone(settings)
    first, _ = service_for(settings)
    async with running(first.run()):
        assert await first.wait_connected(5)
        with pytest.raises(LinkError, match='the mount "kudu" already runs on') as caught:
            await ensure_alone(settings)
        assert caught.value.code == "already_running"
        second, _ = service_for(settings)
        async with running(second.run()):
            assert not await second.wait_connected(1.0)
            assert "already runs" in str(second.health()["problem"])
            assert first.health()["connected"]
    # The first one is gone in good order: its place is free.
    await ensure_alone(settings)


async def test_another_mount_on_the_same_broker_is_no_second_service(broker: Broker) -> None:
    settings = settings_for(broker.port)
    first, _ = service_for(settings)
    async with running(first.run()):
        assert await first.wait_connected(5)
        other = settings.model_copy(
            update={"mount": settings.mount.model_copy(update={"slug": "marten"})}
        )
        await ensure_alone(other)


async def test_a_stale_online_of_a_dead_service_does_not_keep_the_next_one_out(
    broker: Broker,
) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish("polewright/kudu/availability", "online", qos=1, retain=True)
    await ensure_alone(settings_for(broker.port))


async def test_what_an_earlier_run_left_behind_is_not_shown_as_live(broker: Broker) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish("polewright/kudu/correction", '{"live":true}', qos=1, retain=True)
        await client.publish("polewright/kudu/correction/closeness", "97", qos=1, retain=True)
    settings = settings_for(broker.port)
    service, _ = service_for(settings)
    async with running(service.run()):
        assert await service.wait_connected(5)
        await asyncio.sleep(0.2)
        told = await retained(settings)
        assert "correction" not in told
        assert told["correction/closeness"] == "0"


async def test_an_access_list_that_denies_silently_is_noticed(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "acl").write_text("topic read #\n")
    mosquitto = Mosquitto(tmp_path, f"allow_anonymous true\nacl_file {tmp_path / 'acl'}\n")
    await mosquitto.start()
    try:
        service, _ = service_for(settings_for(mosquitto.port))
        async with running(service.run()):
            assert await service.wait_connected(5)
            await wait_until(lambda: service.health()["echo"] == "failed")
            assert "access list" in caplog.text
    finally:
        await mosquitto.stop()


async def test_a_broker_that_lets_nobody_in_is_told_as_such(tmp_path: Path) -> None:
    mosquitto = Mosquitto(tmp_path, "allow_anonymous false\n")
    await mosquitto.start()
    try:
        service, _ = service_for(settings_for(mosquitto.port))
        async with running(service.run()):
            await wait_until(lambda: service.health()["problem"] is not None)
            assert "does not let this user in" in service.health()["problem"]
    finally:
        await mosquitto.stop()


async def test_the_version_is_5_where_the_broker_speaks_it_and_else_3_1_1(broker: Broker) -> None:
    service, _ = service_for(settings_for(broker.port))
    async with running(service.run()):
        assert await service.wait_connected(5)
        expected = "5" if isinstance(broker, Mosquitto) else "3.1.1"
        assert service.health()["protocol"] == expected


async def test_a_port_where_nobody_listens_is_a_link_error() -> None:
    settings = settings_for(free_port())
    with pytest.raises(LinkError, match="No MQTT broker answers"):
        async for _ in watch_topics(settings):
            pass


def test_who_comes_while_another_subscribes_is_not_thrown_out() -> None:
    """amqtt goes through the subscriptions, and awaits in between, while they change."""
    subscriptions = Subscriptions({"a": 1, "b": 2})
    for topic in subscriptions:
        subscriptions[f"{topic}/new"] = 3
        del subscriptions[topic]
    left = []
    for topic, number in subscriptions.items():
        left.append((topic, number))
        del subscriptions[topic]
    assert left == [("a/new", 3), ("b/new", 3)]
    assert not subscriptions
