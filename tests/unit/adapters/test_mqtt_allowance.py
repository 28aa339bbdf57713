"""Floods: what is still answered, what is dropped and counted, and that corrections go on."""

import asyncio
import json
import logging
from typing import Any

import pytest

from polewright.adapters.mqtt.allowance import TELL_EVERY_S, Allowance
from polewright.adapters.mqtt.command_desk import TOGETHER_WAIT_S, CommandDesk, Incoming
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.topics import MountTopics

KUDU = MountTopics("polewright", "kudu")


class Watch:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def test_a_few_are_answered_a_flood_is_not_and_calm_gives_the_right_back() -> None:
    watch = Watch()
    allowance = Allowance(watch)
    assert sum(allowance.spend("refusal", "dance") for _ in range(1000)) == 60
    assert allowance.dropped == 940
    watch.now_s += 0.5
    assert sum(allowance.spend("refusal", "dance") for _ in range(1000)) == 10
    watch.now_s += 60.0
    assert sum(allowance.spend("refusal", "dance") for _ in range(1000)) == 60


def test_rubbish_takes_nothing_from_stop() -> None:
    allowance = Allowance(Watch())
    while allowance.spend("refusal", "dance"):
        pass
    assert allowance.spend("stop", "stop")
    assert allowance.spend("command", "survey")


def test_a_flood_is_one_line_in_ten_seconds_with_its_number(
    caplog: pytest.LogCaptureFixture,
) -> None:
    watch = Watch()
    allowance = Allowance(watch)
    with caplog.at_level(logging.WARNING):
        for _ in range(60 + 500):
            allowance.spend("refusal", "x" * 500)
        watch.now_s += TELL_EVERY_S
        for _ in range(60 + 1):
            allowance.spend("refusal", "x")
    texts = [record.getMessage() for record in caplog.records]
    assert len(texts) == 2
    assert "500 dropped" in texts[1]
    assert all(len(text) < 200 for text in texts)


def desk_that_obeys() -> tuple[CommandDesk, MqttPublisher, list[str]]:
    """Return a desk, where its answers go, and the verbs that it handed on."""
    obeyed: list[str] = []

    async def handler(verb: str, arguments: Any, reply: Any) -> dict[str, Any]:
        obeyed.append(verb)
        return {"stopped": True}

    publisher = MqttPublisher(KUDU)
    desk = CommandDesk(publisher, handler, instance="here", allowance=Allowance(Watch()))
    return desk, publisher, obeyed


async def test_the_desk_drops_rubbish_unanswered_and_obeys_the_stop_in_its_midst() -> None:
    desk, publisher, obeyed = desk_that_obeys()
    async with asyncio.TaskGroup() as tasks:
        for number in range(3000):
            rubbish = Incoming(verb=f"v{number}", payload=b"\x00\xff" * 50, retained=False)
            desk.receive(rubbish, tasks)
        desk.receive(Incoming(verb="stop", payload=b'{"id":"s"}', retained=False), tasks)
    assert obeyed == ["stop"]
    assert desk.dropped == 3000 - 60
    replies = [json.loads(one.payload) for one in publisher.take_all() if "/reply/" in one.topic]
    assert [one["status"] for one in replies[-2:]] == ["accepted", "done"]
    assert sum(not one["ok"] for one in replies) == 60


async def test_a_valid_stop_is_never_dropped_and_a_flood_of_them_is_obeyed_together() -> None:
    """The last stop comes after a survey has begun: no stop before it will do instead."""
    desk, publisher, obeyed = desk_that_obeys()
    async with asyncio.TaskGroup() as tasks:
        for number in range(3000):
            stop = Incoming(verb="stop", payload=b'{"id":"s%d"}' % number, retained=False)
            desk.receive(stop, tasks)
        await asyncio.sleep(4 * TOGETHER_WAIT_S)
        assert obeyed == ["stop"] * 61
        desk.receive(Incoming(verb="survey", payload=b'{"id":"x"}', retained=False), tasks)
        desk.receive(Incoming(verb="stop", payload=b'{"id":"genuine"}', retained=False), tasks)
    assert obeyed == ["stop"] * 61 + ["survey", "stop"]
    replies = [json.loads(one.payload) for one in publisher.take_all() if "/reply/" in one.topic]
    assert [one["status"] for one in replies if one["id"] == "genuine"] == ["done"]
    assert [one["status"] for one in replies if one["id"] == "s3"] == ["accepted", "done"]


@pytest.mark.parametrize(
    "payload",
    [
        b'{"id":"stop-1"}',
        b"",
        b"STOP",
        b"\x00\xff",
        b"{}",
        b'{"id":"stop-1","haste":9}',
        b'{"id":"late","expires":"2001-01-01T00:00:00Z"}',
        b"x" * 20_000,
    ],
)
async def test_a_stop_is_obeyed_whatever_it_says_and_every_time(payload: bytes) -> None:
    """A dashboard's button says the same each time it is pressed, or nothing at all."""
    desk, publisher, obeyed = desk_that_obeys()
    async with asyncio.TaskGroup() as tasks:
        for pressed in range(3):
            desk.receive(Incoming(verb="stop", payload=payload, retained=False), tasks)
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            assert obeyed == ["stop"] * (pressed + 1)
        # One that lay at the broker was meant another day.
        desk.receive(Incoming(verb="stop", payload=payload, retained=True), tasks)
    assert obeyed == ["stop"] * 3
    replies = [json.loads(one.payload) for one in publisher.take_all() if "/reply/" in one.topic]
    assert [one["ok"] for one in replies[:6]] == [True] * 6


async def test_stops_that_come_while_others_are_obeyed_are_obeyed_after_them() -> None:
    begun: list[float] = []
    hold = asyncio.Event()

    async def handler(verb: str, arguments: Any, reply: Any) -> dict[str, Any]:
        begun.append(asyncio.get_running_loop().time())
        await hold.wait()
        return {"stopped": True}

    allowance = Allowance(Watch())
    while allowance.spend("stop", "stop"):
        pass
    desk = CommandDesk(MqttPublisher(KUDU), handler, instance="here", allowance=allowance)
    async with asyncio.TaskGroup() as tasks:
        desk.receive(Incoming(verb="stop", payload=b'{"id":"a"}', retained=False), tasks)
        await asyncio.sleep(2 * TOGETHER_WAIT_S)
        assert len(begun) == 1
        asked_s = asyncio.get_running_loop().time()
        desk.receive(Incoming(verb="stop", payload=b'{"id":"b"}', retained=False), tasks)
        await asyncio.sleep(4 * TOGETHER_WAIT_S)
        hold.set()
    assert len(begun) == 2
    assert begun[1] > asked_s


async def test_answers_in_a_queue_do_not_hold_up_a_correction() -> None:
    publisher = MqttPublisher(KUDU)
    publisher.take_all()
    for number in range(200):
        reply = {"id": f"r{number}", "ok": True, "status": "accepted"}
        publisher.send(f"reply/r{number}", reply, retain=False)
    state = {"state": "idle", "since": "2026-03-01T18:00:00Z"}
    publisher.publish("state", state, retain=True)
    taken = [(await publisher.take()).topic for _ in range(3)]
    assert KUDU.full("state") in taken
