"""``polewright watch`` in a real pseudo-terminal: resized, and through restarts of broker and
service."""

import asyncio
import contextlib
import fcntl
import os
import pty
import re
import signal
import struct
import termios
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from tests.system.commands import POLEWRIGHT, _environment
from tests.system.mqtt_brokers import Mosquitto, running, settings_for, wait_until
from tests.system.test_mqtt_service import CORRECTION

pytestmark = [pytest.mark.broker, pytest.mark.slow]

STATE = {"state": "adjusting", "since": "2026-03-01T18:00:00Z", "step": "turn the bolts"}
HOME = "\x1b[H"


class Terminal:
    """The far end of a pseudo-terminal: what was drawn there, screen by screen."""

    def __init__(self, process: asyncio.subprocess.Process, descriptor: int) -> None:
        self.process = process
        self._descriptor = descriptor
        self.raw = ""
        asyncio.get_running_loop().add_reader(descriptor, self._read)

    def _read(self) -> None:
        try:
            self.raw += os.read(self._descriptor, 65536).decode("utf-8", "replace")
        except OSError:
            asyncio.get_running_loop().remove_reader(self._descriptor)

    def resize(self, columns: int, rows: int) -> None:
        set_size(self._descriptor, columns, rows)
        self.process.send_signal(signal.SIGWINCH)

    @property
    def lines(self) -> list[str]:
        """The last screen that is complete, without colours."""
        screens = self.raw.split(HOME)
        last = screens[-2] if len(screens) > 2 else ""
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", last).replace("\r", "").split("\n")

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.lines).split())

    async def shows(self, condition: Callable[[], bool], timeout_s: float = 20.0) -> None:
        try:
            await wait_until(condition, timeout_s)
        except AssertionError:
            pytest.fail("the terminal shows:\n" + "\n".join(self.lines))


def set_size(descriptor: int, columns: int, rows: int) -> None:
    fcntl.ioctl(descriptor, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))


@contextlib.asynccontextmanager
async def watching(home: Path, port: int, columns: int, rows: int) -> AsyncIterator[Terminal]:
    config = home / "polewright.toml"
    config.write_text(f'[mount]\nslug = "kudu"\n[mqtt]\nmode = "external"\nport = {port}\n')
    ours, theirs = pty.openpty()
    set_size(ours, columns, rows)
    environment = _environment(home) | {"TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
    for name in ("COLUMNS", "LINES", "NO_COLOR"):
        environment.pop(name, None)
    process = await asyncio.create_subprocess_exec(
        *POLEWRIGHT, "watch", "--config", str(config), stdin=theirs, stdout=theirs,
        stderr=theirs, cwd=home, env=environment, start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    terminal = Terminal(process, ours)
    try:
        yield terminal
        process.send_signal(signal.SIGINT)
        assert await asyncio.wait_for(process.wait(), 10) == 130
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
        asyncio.get_running_loop().remove_reader(ours)
        os.close(ours)


@contextlib.asynccontextmanager
async def adjusting(port: int, altitude_words: str) -> AsyncIterator[MqttService]:
    """A service that tells corrections."""
    settings = settings_for(port)
    publisher = MqttPublisher(MountTopics.of(settings))

    async def obey(verb: str, arguments: dict[str, Any], reply: Any) -> dict[str, Any]:
        return {}

    async def speak() -> None:
        for sequence in range(1, 10_000):
            publisher.publish("state", STATE, retain=True)
            told = {"sequence": sequence, "altitude_words": altitude_words}
            publisher.publish("correction", CORRECTION | told, retain=True)
            await asyncio.sleep(0.3)

    service = MqttService(settings, publisher, obey)
    async with running(service.run()), running(speak()):
        yield service


@pytest.mark.timeout(120)
async def test_watch_survives_resizing_and_restarts_of_broker_and_service(tmp_path: Path) -> None:
    mosquitto = Mosquitto(tmp_path)
    await mosquitto.start()
    try:
        async with watching(tmp_path, mosquitto.port, 80, 24) as terminal:
            await terminal.shows(lambda: "the service is offline" in terminal.text, 40)
            async with adjusting(mosquitto.port, "lower the axis 3.2 arcmin"):
                await terminal.shows(lambda: "lower the axis 3.2 arcmin" in terminal.text)
                assert "NOT YET" in terminal.text
                assert {len(line) for line in terminal.lines if line} == {80}

                terminal.resize(40, 20)
                await terminal.shows(lambda: {len(x) for x in terminal.lines if x} == {40})
                assert len(terminal.lines) <= 21
                assert "lower the axis 3.2 arcmin" in terminal.text
                terminal.resize(120, 45)
                await terminal.shows(lambda: {len(x) for x in terminal.lines if x} == {120})
                # Room for large figures: 3.2'
                assert "██████      ██████  ██" in "\n".join(terminal.lines)

                await mosquitto.stop()
                await terminal.shows(lambda: "MQTT broker" in terminal.text)
                assert "lower the axis" not in terminal.text
                await mosquitto.start()
                await terminal.shows(lambda: "lower the axis 3.2 arcmin" in terminal.text)
                assert "MQTT broker" not in terminal.text
            await terminal.shows(lambda: "the service is offline" in terminal.text)
            async with adjusting(mosquitto.port, "raise the axis 1.1 arcmin"):
                await terminal.shows(lambda: "raise the axis 1.1 arcmin" in terminal.text)
            assert "Traceback" not in terminal.raw
    finally:
        await mosquitto.stop()
