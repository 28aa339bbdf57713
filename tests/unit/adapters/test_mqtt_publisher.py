"""The publisher's rules: newest wins, replies queue, scalars are slow, stale is shown as stale."""

import asyncio
import json
import logging
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import numpy as np
import pytest

from polewright.adapters.mqtt.publisher import MOST_QUEUED, MqttPublisher, Outgoing
from polewright.adapters.mqtt.topics import MountTopics

NOW = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)

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
    "closeness": 42.4,
    "verdict": "not_yet",
    "live": True,
    "frame_age_s": 0.5,
    "latency_ms": 31.0,
}


class Seconds:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def seconds() -> Seconds:
    return Seconds()


@pytest.fixture
def publisher(seconds: Seconds) -> MqttPublisher:
    one = MqttPublisher(MountTopics("polewright", "kudu"), now=lambda: NOW, monotonic=seconds)
    one.take_all()
    seconds.now_s += 10
    return one


def event(number: int) -> dict[str, Any]:
    return {"level": "info", "code": "note", "text": f"number {number}"}


async def drain(publisher: MqttPublisher) -> list[Outgoing]:
    """Return what could be sent now."""
    taken: list[Outgoing] = []
    try:
        while True:
            async with asyncio.timeout(0.001):
                taken.append(await publisher.take())
    except TimeoutError:
        return taken


def by_topic(messages: list[Outgoing]) -> dict[str, bytes]:
    return {message.topic.removeprefix("polewright/kudu/"): message.payload for message in messages}


async def test_a_message_gets_version_and_instant_in_front(publisher: MqttPublisher) -> None:
    publisher.publish("state", {"state": "idle", "since": NOW}, retain=True)
    (message,) = await drain(publisher)
    assert message.topic == "polewright/kudu/state"
    assert message.retain
    assert message.payload == (
        b'{"v":1,"at":"2026-03-01T18:00:00.000Z","state":"idle","since":"2026-03-01T18:00:00.000Z"}'
    )


async def test_records_enumerations_and_numpy_numbers_become_json(
    publisher: MqttPublisher,
) -> None:
    class Colour(StrEnum):
        RED = "red"

    @dataclass(frozen=True)
    class Record:
        colour: Colour
        size_px: np.float32
        parts: tuple[int, ...]

    publisher.publish("weather", {"one": Record(Colour.RED, np.float32(1.5), (1, 2))}, retain=False)
    (message,) = await drain(publisher)
    one = json.loads(message.payload)["one"]
    assert one == {"colour": "red", "size_px": 1.5, "parts": [1, 2]}


async def test_the_newest_of_a_topic_wins_and_memory_is_bounded(publisher: MqttPublisher) -> None:
    for sequence in range(1000):
        publisher.publish("weather", {"sequence": sequence}, retain=False)
    (message,) = await drain(publisher)
    assert json.loads(message.payload)["sequence"] == 999


async def test_events_all_arrive_in_order_and_the_oldest_go_first_when_too_many(
    publisher: MqttPublisher,
) -> None:
    for number in range(MOST_QUEUED + 5):
        publisher.publish("event", event(number), retain=False)
    texts = [json.loads(message.payload)["text"] for message in await drain(publisher)]
    assert texts == [f"number {number}" for number in range(5, MOST_QUEUED + 5)]
    assert publisher.dropped == 5


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("state", {"state": "dreaming", "since": NOW}),
        ("state", {"state": "idle"}),
        ("state", {"state": "idle", "since": NOW, "mood": 1}),
        ("state", {"state": "idle", "since": NOW.replace(tzinfo=None)}),
        ("survey", {"chi2": float("nan")}),
        ("correction", CORRECTION | {"altitude_error_arcmin": float("inf")}),
        ("correction", CORRECTION | {"closeness": 101}),
        ("correction", CORRECTION | {"sequence": "1"}),
        ("correction/closeness", "much"),
        ("weather", {"thing": object()}),
        ("weather", None),
        ("no such/topic#", {}),
        ("../marten/state", {}),
        ("", {}),
    ],
)
async def test_a_message_against_the_contract_is_logged_and_dropped_without_raising(
    publisher: MqttPublisher, caplog: pytest.LogCaptureFixture, topic: str, payload: object
) -> None:
    publisher.publish(topic, payload, retain=True)
    assert await drain(publisher) == []
    assert publisher.dropped == 1
    (record,) = caplog.records
    assert record.levelno == logging.ERROR
    assert record.getMessage().startswith("Bug: a message for")


async def test_a_correction_brings_its_scalars(publisher: MqttPublisher) -> None:
    publisher.publish("correction", CORRECTION, retain=True)
    told = by_topic(await drain(publisher))
    assert told["correction/altitude_arcmin"] == b"3.20"
    assert told["correction/azimuth_arcmin"] == b"-7.50"
    assert told["correction/total_arcmin"] == b"7.09"
    assert told["correction/altitude_words"] == b"lower the axis 3.2 arcmin"
    assert told["correction/verdict"] == b"not_yet"
    assert told["correction/closeness"] == b"42"


async def test_scalars_wait_a_fifth_of_a_second_and_the_last_one_comes(
    publisher: MqttPublisher, seconds: Seconds
) -> None:
    publisher.publish("correction", CORRECTION, retain=True)
    assert len(await drain(publisher)) == 8
    for sequence in range(5):
        changed = CORRECTION | {"sequence": sequence, "altitude_error_arcmin": float(sequence)}
        publisher.publish("correction", changed, retain=True)
    assert list(by_topic(await drain(publisher))) == ["correction"]
    seconds.now_s += 0.19
    assert await drain(publisher) == []
    seconds.now_s += 0.02
    assert by_topic(await drain(publisher))["correction/altitude_arcmin"] == b"4.00"


async def test_a_correction_that_is_not_live_shows_no_numbers(publisher: MqttPublisher) -> None:
    publisher.publish("correction", CORRECTION | {"live": False}, retain=True)
    told = by_topic(await drain(publisher))
    assert told["correction/altitude_arcmin"] == b"none"
    assert told["correction/azimuth_words"] == b"--"
    assert told["correction/verdict"] == b"none"
    assert told["correction/closeness"] == b"0"


async def test_leaving_adjusting_ends_the_live_correction(publisher: MqttPublisher) -> None:
    publisher.publish("state", {"state": "adjusting", "since": NOW}, retain=True)
    publisher.publish("correction", CORRECTION, retain=True)
    assert json.loads(by_topic(await drain(publisher))["correction"])["live"] is True
    publisher.publish("state", {"state": "idle", "since": NOW}, retain=True)
    assert json.loads(by_topic(await drain(publisher))["correction"])["live"] is False


@pytest.mark.parametrize(("valid", "stale_after_s"), [({}, 29.5), ({"valid_s": 4.0}, 3.5)])
async def test_a_correction_that_nobody_renews_becomes_stale(
    publisher: MqttPublisher, seconds: Seconds, valid: dict[str, float], stale_after_s: float
) -> None:
    publisher.publish("correction", CORRECTION | valid, retain=True)
    await drain(publisher)
    seconds.now_s += stale_after_s - 0.1
    assert await drain(publisher) == []
    seconds.now_s += 0.2
    told = by_topic(await drain(publisher))
    assert json.loads(told["correction"])["live"] is False
    assert told["correction/altitude_arcmin"] == b"none"


async def test_a_new_connection_gets_every_retained_topic_again(publisher: MqttPublisher) -> None:
    publisher.publish("state", {"state": "idle", "since": NOW}, retain=True)
    publisher.publish("correction", CORRECTION, retain=True)
    before = by_topic(await drain(publisher))
    publisher.publish("weather", {"old": 1}, retain=False)
    publisher.start_over()
    again = by_topic(await drain(publisher))
    assert {topic: payload for topic, payload in again.items() if payload} == before


async def test_what_an_earlier_run_left_with_the_broker_and_this_one_does_not_know_is_taken_off(
    publisher: MqttPublisher,
) -> None:
    """Without a journal a service knows of no survey: yesterday's verdict is none of its own."""
    publisher.start_over()
    told = by_topic(await drain(publisher))
    assert [told.get(topic) for topic in ("survey", "correction", "pointing")] == [b""] * 3


async def test_a_message_that_could_not_be_sent_comes_first_again_unless_a_newer_one_exists(
    publisher: MqttPublisher,
) -> None:
    publisher.publish("event", event(1), retain=False)
    publisher.publish("event", event(2), retain=False)
    publisher.put_back(await publisher.take())
    texts = [json.loads(message.payload)["text"] for message in await drain(publisher)]
    assert texts == ["number 1", "number 2"]
    publisher.publish("weather", {"sequence": 1}, retain=False)
    old = await publisher.take()
    publisher.publish("weather", {"sequence": 2}, retain=False)
    publisher.put_back(old)
    (message,) = await drain(publisher)
    assert json.loads(message.payload)["sequence"] == 2
