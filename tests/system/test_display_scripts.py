"""The shell examples for displays, run against a real mosquitto."""

import asyncio
import contextlib
import json
import os
import shutil
from collections.abc import AsyncIterator
from pathlib import Path

import aiomqtt
import pytest

from tests.system.mqtt_brokers import Mosquitto, wait_until

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(shutil.which("mosquitto_sub") is None, reason="the scripts need it"),
]

DISPLAYS = Path(__file__).parents[2] / "configs" / "displays"


@contextlib.asynccontextmanager
async def script(*command: str, options: str = "") -> AsyncIterator[list[str]]:
    """Run a script in a group of its own; yields the lines that it prints, as they come."""
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, start_new_session=True,
        env=os.environ | {"MQTT_OPTIONS": options},
    )  # fmt: skip
    lines: list[str] = []

    async def read() -> None:
        assert process.stdout
        async for line in process.stdout:
            lines.append(line.decode().rstrip("\n"))  # noqa: PERF401 - looked at as they come

    reading = asyncio.create_task(read())
    try:
        yield lines
    finally:
        # The pipe's two ends: the shell and mosquitto_sub.
        os.killpg(process.pid, 15)
        await process.wait()
        await asyncio.wait_for(reading, 5)


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    await broker.start()
    yield broker
    await broker.stop()


async def test_the_shell_display_says_words_and_verdict(mosquitto: Mosquitto) -> None:
    base = "polewright/kudu/correction"
    async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
        await client.publish(f"{base}/altitude_words", "lower the axis 3.2 arcmin", 1, retain=True)
        await client.publish("polewright/kudu/availability", "online", 1, retain=True)
        command = (str(DISPLAYS / "bolts.sh"), "kudu", "-p", str(mosquitto.port))
        async with script(*command) as lines:
            await wait_until(lambda: lines == ["altitude: lower the axis 3.2 arcmin"])
            await client.publish(f"{base}/verdict", "good_enough", 1)
            await client.publish(f"{base}/closeness", "97", 1)
            await client.publish(f"{base}/azimuth_words", "--", 1)
            await wait_until(lambda: lines[1:] == ["good enough", "azimuth:  --"])


async def test_what_a_dead_service_left_behind_is_shown_as_nothing(mosquitto: Mosquitto) -> None:
    """Killed, it takes nothing off: the broker keeps its last words, and says that it is gone."""
    base = "polewright/kudu"
    async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
        await client.publish(f"{base}/correction/verdict", "good_enough", 1, retain=True)
        await client.publish(f"{base}/correction/altitude_words", "leave it", 1, retain=True)
        await client.publish(f"{base}/availability", "offline", 1, retain=True)
        command = (str(DISPLAYS / "bolts.sh"), "kudu", "-p", str(mosquitto.port))
        offline = "the service is offline: whatever stands above is old"
        async with script(*command) as lines:
            await wait_until(lambda: bool(lines))
            await client.publish(f"{base}/correction/azimuth_words", "turn on", 1)
            await client.publish(f"{base}/availability", "offline", 1)
            await wait_until(lambda: lines == [offline, offline])
            await client.publish(f"{base}/availability", "online", 1)
            await client.publish(f"{base}/correction/verdict", "not_yet", 1)
            await wait_until(lambda: lines[-1] == "not yet")
            assert "good enough" not in lines


async def test_events_worth_a_buzz_reach_any_program(mosquitto: Mosquitto) -> None:
    event = {"v": 1, "at": "2026-03-01T18:00:00.000Z", "level": "warning"}
    options = f"-p {mosquitto.port}"
    command = (str(DISPLAYS / "notify.sh"), "kudu", "echo", "buzz")
    async with (
        aiomqtt.Client("127.0.0.1", mosquitto.port) as client,
        script(*command, options=options) as lines,
    ):
        texts = {
            "blocked": 'camera "Hoopoe" is gone',
            "old_survey": "the survey is old",
            "moved": "the tripod moved; $(echo no) `no` \\ *",
            "good_enough": "off by 0.31 arcmin +- 0.05",
        }
        # Until mosquitto_sub listens, an event is heard by nobody.
        while not lines:
            await send(client, event | {"code": "moved", "text": "hello"})
            await asyncio.sleep(0.1)
        heard = len(lines)
        for code, text in texts.items():
            await send(client, event | {"code": code, "text": text, "remedy": "Look."})
        expected = [f"buzz polewright kudu: {texts[c]}" for c in texts if c != "old_survey"]
        await wait_until(lambda: lines[-3:] == expected)
        assert len(lines) <= heard + 3 + 1


async def send(client: aiomqtt.Client, event: dict[str, object]) -> None:
    text = json.dumps(event, separators=(",", ":"))
    await client.publish("polewright/kudu/event", text, qos=1)
