"""Commands over real brokers: obeyed once, answered always, refused when anything is wrong."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from polewright.adapters.mqtt.client import send_command
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import DeviceError, LinkError, SafetyError, UsageError
from polewright.settings.displays import MqttSettings
from polewright.settings.model import Settings
from tests.system.mqtt_brokers import (
    Broker,
    Listener,
    Mosquitto,
    broker,
    listening,
    running,
    settings_for,
    wait_until,
)

pytestmark = pytest.mark.broker
__all__ = ["broker"]


class Handler:
    """Obeys like a session would; remembers what it was asked."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.release = asyncio.Event()
        self.extra: dict[str, Any] = {}

    async def __call__(
        self, verb: str, arguments: dict[str, Any], reply: Callable[[dict[str, Any]], None]
    ) -> dict[str, Any]:
        self.asked.append((verb, arguments))
        if verb == "survey":
            reply({"step": "frame 1 of 3", "percent": 33.0})
            await self.release.wait()
            return {"verdict": "not_yet"}
        if verb == "adjust":
            raise SafetyError("The Sun is 4 deg away", remedy="Wait for the evening.")
        if verb == "confirm_clear":
            raise ZeroDivisionError("a bug")
        return {"stopped": True} | self.extra


class Bench:
    """A running service with its handler, a listener, and a client to send from."""

    def __init__(
        self,
        settings: Settings,
        service: MqttService,
        publisher: MqttPublisher,
        handler: Handler,
        listener: Listener,
        client: aiomqtt.Client,
    ) -> None:
        self.settings = settings
        self.service = service
        self.publisher = publisher
        self.handler = handler
        self.listener = listener
        self.client = client

    async def send(self, verb: str, payload: Any, *, retain: bool = False) -> None:
        text = payload if isinstance(payload, str | bytes) else json.dumps(payload)
        await self.client.publish(f"polewright/kudu/command/{verb}", text, qos=1, retain=retain)

    async def replies(self, identifier: str, count: int = 1) -> list[dict[str, Any]]:
        topic = f"reply/{identifier}"
        await wait_until(lambda: len(self.listener.texts(topic)) >= count, 5)
        return [json.loads(text) for text in self.listener.texts(topic)]


@pytest_asyncio.fixture
async def bench(broker: Broker) -> AsyncIterator[Bench]:
    settings = settings_for(broker.port)
    handler = Handler()
    publisher = MqttPublisher(MountTopics.of(settings))
    service = MqttService(settings, publisher, handler)
    async with (
        listening(broker.port) as listener,
        aiomqtt.Client("127.0.0.1", broker.port) as client,
        running(service.run()),
    ):
        assert await service.wait_connected(5)
        yield Bench(settings, service, publisher, handler, listener, client)


async def test_a_command_is_accepted_progresses_and_is_done(bench: Bench) -> None:
    told: list[dict[str, Any]] = []
    async with asyncio.TaskGroup() as tasks:
        sending = tasks.create_task(
            send_command(bench.settings, "survey", {"frames": 4}, told.append, 10)
        )
        await wait_until(lambda: bool(told))
        bench.handler.release.set()
    assert sending.result() == {"verdict": "not_yet"}
    assert told == [{"step": "frame 1 of 3", "percent": 33.0}]
    assert bench.handler.asked == [("survey", {"frames": 4})]

    def statuses() -> list[str]:
        return [
            json.loads(text)["status"]
            for topic, text, _ in bench.listener.messages
            if topic.startswith("reply/") and "echo" not in topic
        ]

    # The broker may serve the one who sent first.
    await wait_until(lambda: "done" in statuses())
    assert statuses() == ["accepted", "progress", "done"]


async def test_warnings_are_heard_while_a_command_is_obeyed(bench: Bench) -> None:
    told: list[dict[str, Any]] = []
    trails = {"level": "warning", "code": "trailed_frames", "text": "trails", "remedy": "track"}
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(
            send_command(bench.settings, "survey", timeout_s=10, on_warning=told.append)
        )
        await wait_until(lambda: bool(bench.handler.asked))
        bench.publisher.publish("event", trails | {"level": "info"}, retain=False)
        bench.publisher.publish("event", trails, retain=False)
        await wait_until(lambda: bool(told))
        bench.handler.release.set()
    assert [event["level"] for event in told] == ["warning"]
    assert trails.items() <= told[0].items()


async def test_stop_is_obeyed_while_a_survey_runs(bench: Bench) -> None:
    await bench.send("survey", {"id": "s1"})
    await bench.replies("s1", 2)
    assert await send_command(bench.settings, "stop", timeout_s=5) == {"stopped": True}
    bench.handler.release.set()
    await bench.replies("s1", 3)


async def test_the_stop_for_all_mounts_is_obeyed_and_answered_below_this_mount(
    bench: Bench,
) -> None:
    await bench.client.publish("polewright/all/command/stop", '{"id": "all1"}', qos=1)
    assert [reply["status"] for reply in await bench.replies("all1", 2)] == ["accepted", "done"]
    assert bench.handler.asked == [("stop", {})]


async def test_an_expected_error_of_the_session_is_the_reply(bench: Bench) -> None:
    with pytest.raises(SafetyError, match="The Sun is 4 deg away") as caught:
        await send_command(bench.settings, "adjust", timeout_s=5)
    assert caught.value.remedy == "Wait for the evening."
    assert caught.value.exit_code == 3


async def test_a_bug_in_the_session_is_a_reply_and_the_service_lives_on(bench: Bench) -> None:
    with pytest.raises(DeviceError, match="polewright itself failed"):
        await send_command(bench.settings, "confirm_clear", timeout_s=5)
    assert await send_command(bench.settings, "stop", timeout_s=5) == {"stopped": True}


async def test_a_result_that_cannot_be_written_is_a_failure_and_not_silence(bench: Bench) -> None:
    bench.handler.extra = {"sigma_arcmin": float("nan")}
    with pytest.raises(DeviceError, match="polewright itself failed in stop"):
        await send_command(bench.settings, "stop", timeout_s=5)


async def test_a_repeated_id_gets_the_first_answer_and_is_not_obeyed_again(bench: Bench) -> None:
    bench.handler.release.set()
    await bench.send("survey", {"id": "twice", "frames": 5})
    first = await bench.replies("twice", 3)
    await bench.send("survey", {"id": "twice", "frames": 5})
    again = await bench.replies("twice", 4)
    assert again[3]["result"] == first[2]["result"] == {"verdict": "not_yet"}
    assert again[3]["status"] == "done"
    assert len(bench.handler.asked) == 1
    await bench.send("survey", {"id": "twice", "frames": 6})
    assert (await bench.replies("twice", 5))[4]["error"]["code"] == "id_used"
    assert len(bench.handler.asked) == 1


async def test_a_retained_command_is_refused_when_the_service_comes(broker: Broker) -> None:
    settings = settings_for(broker.port)
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish("polewright/kudu/command/survey", '{"id":"r1"}', qos=1, retain=True)
    handler = Handler()
    service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), handler)
    async with listening(broker.port) as listener, running(service.run()):
        await wait_until(lambda: bool(listener.texts("reply/r1")))
        reply = json.loads(listener.texts("reply/r1")[0])
        assert reply["ok"] is False
        assert reply["error"]["code"] == "retained_command"
        assert handler.asked == []


async def test_a_command_sent_with_retain_is_refused_at_once_under_mqtt_5(bench: Bench) -> None:
    if bench.service.health()["protocol"] != "5":
        pytest.skip("MQTT 3.1.1 does not show the retain flag of live messages")
    await bench.send("survey", {"id": "r2"}, retain=True)
    assert (await bench.replies("r2"))[0]["error"]["code"] == "retained_command"
    assert bench.handler.asked == []


async def test_a_button_that_says_retain_or_nothing_stops_all_the_same(bench: Bench) -> None:
    for times, (payload, retain) in enumerate(
        [("", False), ("STOP", True), ('{"id":"s"}', True), ('{"id":"s"}', False)], 1
    ):
        await bench.send("stop", payload, retain=retain)
        await wait_until(lambda times=times: len(bench.handler.asked) == times)
    assert {verb for verb, _ in bench.handler.asked} == {"stop"}
    await bench.send("stop", "", retain=True)  # clears it, for the tests that follow


async def test_a_stop_that_lay_at_the_broker_is_of_another_day(broker: Broker) -> None:
    settings = settings_for(broker.port)
    topic = "polewright/kudu/command/stop"
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish(topic, '{"id":"old"}', qos=1, retain=True)
        handler = Handler()
        service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), handler)
        async with running(service.run()):
            assert await service.wait_connected(5)
            # An answer proves that whatever came before it was heard.
            assert await send_command(settings, "stop", timeout_s=5)
            assert [verb for verb, _ in handler.asked] == ["stop"]
        await client.publish(topic, "", qos=1, retain=True)


@pytest.mark.parametrize(
    ("verb", "payload", "identifier", "code", "says"),
    [
        ("survey", "not json", "invalid", "not_json", "not a JSON object"),
        ("survey", "[1]", "invalid", "not_json", "not a JSON object"),
        ("survey", "[" * 9000, "invalid", "not_json", "not a JSON object"),
        ("survey", b"\xff\xfe", "invalid", "not_json", "not a JSON object"),
        ("survey", {}, "invalid", "invalid_arguments", "id is missing"),
        ("survey", {"id": "a/#"}, "invalid", "invalid_arguments", "allowed: 1 to 64 letters"),
        ("survey", {"id": "x" * 65}, "invalid", "invalid_arguments", "allowed: 1 to 64 letters"),
        ("dance", {"id": "c1"}, "c1", "unknown_verb", "no command 'dance'"),
        ("survey", {"id": "c2", "speed": 3}, "c2", "invalid_arguments", "speed is not a known"),
        ("survey", {"id": "c3", "frames": "5"}, "c3", "invalid_arguments", 'frames = "5"'),
        ("survey", {"id": "c4", "frames": 2}, "c4", "invalid_arguments", "from 3 to 60"),
        ("survey", {"id": "c5", "sweep_deg": 1e9}, "c5", "invalid_arguments", "from 10 to 170"),
        ("ping", {"id": "c6", "frames": 5}, "c6", "invalid_arguments", "frames is not a known"),
        ("ping", '{"id": "c7", "v": 2}', "c7", "invalid_arguments", "v = 2"),
        ("adjust", {"id": "c8", "exposure_s": True}, "c8", "invalid_arguments", "exposure_s"),
        (
            "adjust",
            {"id": "c9", "expires": "2026-01-01T00:00:00"},
            "c9",
            "invalid_arguments",
            "instant with its zone",
        ),
        (
            "survey",
            {"id": "c10", "padding": "x" * 17000},
            "invalid",
            "payload_too_large",
            "over the limit",
        ),
    ],
)
async def test_a_wrong_command_gets_an_error_reply_and_nothing_is_done(
    bench: Bench, verb: str, payload: Any, identifier: str, code: str, says: str
) -> None:
    await bench.send(verb, payload)
    reply = (await bench.replies(identifier))[0]
    assert reply["ok"] is False
    assert reply["status"] == "failed"
    assert reply["error"]["code"] == code
    assert says in reply["error"]["text"]
    assert reply["error"]["remedy"]
    assert bench.handler.asked == []


async def test_an_expired_command_is_not_obeyed_and_a_current_one_is(bench: Bench) -> None:
    now = datetime.now(UTC)
    late = (now - timedelta(seconds=1)).isoformat()
    await bench.send("survey", {"id": "late", "expires": late})
    assert (await bench.replies("late"))[0]["error"]["code"] == "expired"
    assert bench.handler.asked == []
    soon = (now + timedelta(seconds=60)).isoformat()
    bench.handler.release.set()
    await bench.send("survey", {"id": "soon", "expires": soon})
    assert (await bench.replies("soon", 3))[2]["status"] == "done"


async def test_the_client_turns_a_refusal_into_a_usage_error(bench: Bench) -> None:
    with pytest.raises(UsageError, match="frames = 1 is refused; allowed: a whole number from 3"):
        await send_command(bench.settings, "survey", {"frames": 1}, timeout_s=5)


async def test_without_a_service_the_client_says_so(broker: Broker) -> None:
    with pytest.raises(LinkError, match="No polewright service for the mount") as caught:
        await send_command(settings_for(broker.port), "stop", timeout_s=0.5)
    assert caught.value.code == "no_service"


async def test_a_survey_that_outlasts_the_bound_is_told(bench: Bench) -> None:
    with pytest.raises(LinkError, match="accepted survey but did not finish") as caught:
        await send_command(bench.settings, "survey", timeout_s=0.5)
    assert caught.value.code == "no_end"


async def test_a_service_that_leaves_in_mid_command_is_told(broker: Broker) -> None:
    settings = settings_for(broker.port)
    service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), Handler())
    async with running(service.run()) as task:
        assert await service.wait_connected(5)
        seen: list[dict[str, Any]] = []
        sending = asyncio.create_task(send_command(settings, "survey", None, seen.append, 10))
        await wait_until(lambda: bool(seen))
        task.cancel()
        with pytest.raises(LinkError, match="The service went away"):
            await sending


async def test_a_response_topic_is_honoured_below_reply_only(bench: Bench) -> None:
    if bench.service.health()["protocol"] != "5":
        pytest.skip("response topics came with MQTT 5")
    port = bench.settings.mqtt.port
    v5 = aiomqtt.ProtocolVersion.V5
    async with aiomqtt.Client("127.0.0.1", port, protocol=v5) as client:
        await client.subscribe("polewright/kudu/reply/mine")
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic = "polewright/kudu/reply/mine"
        properties.CorrelationData = b"\x01acacia"
        await client.publish(
            "polewright/kudu/command/stop", '{"id":"p1"}', qos=1, properties=properties
        )
        async with asyncio.timeout(5):
            message = await anext(client.messages)
        assert message.properties is not None
        assert message.properties.CorrelationData == b"\x01acacia"
        assert json.loads(message.payload)["id"] == "p1"
        properties.ResponseTopic = "polewright/kudu/state"
        await client.publish(
            "polewright/kudu/command/stop", '{"id":"p2"}', qos=1, properties=properties
        )
    assert len(await bench.replies("p2", 2)) == 2
    assert bench.listener.texts("state") == []
    assert bench.listener.texts("reply/p1") == []


async def test_too_many_commands_at_once_are_refused_but_never_stop(bench: Bench) -> None:
    for number in range(9):
        await bench.send("survey", {"id": f"m{number}"})
    assert (await bench.replies("m8"))[0]["error"]["code"] == "too_many_commands"
    assert await send_command(bench.settings, "stop", timeout_s=5) == {"stopped": True}


async def test_with_mqtt_switched_off_the_client_says_so() -> None:
    with pytest.raises(UsageError, match="MQTT is switched off"):
        await send_command(Settings(mqtt=MqttSettings(mode="off")), "stop")


async def test_commands_queued_while_the_service_was_away_are_not_obeyed_later(
    broker: Broker,
) -> None:
    settings = settings_for(broker.port)
    handler = Handler()
    for _ in range(2):
        service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), handler)
        async with running(service.run()):
            assert await service.wait_connected(5)
        async with aiomqtt.Client("127.0.0.1", broker.port) as client:
            await client.publish("polewright/kudu/command/stop", '{"id":"q1"}', qos=1)
    assert handler.asked == []


async def test_the_broker_kinds_under_test_are_real(broker: Broker) -> None:
    """The fixture starts what it says: mosquitto answers $SYS, the embedded one does not."""
    if not isinstance(broker, Mosquitto):
        pytest.skip("only mosquitto tells its version")
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.subscribe("$SYS/broker/version")
        async with asyncio.timeout(5):
            message = await anext(client.messages)
        assert bytes(message.payload).startswith(b"mosquitto version")
