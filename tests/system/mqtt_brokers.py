"""Real brokers on free loopback ports, links that can be broken, and a listener that checks."""

import asyncio
import contextlib
import os
import shutil
import signal
import subprocess
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, Protocol

import aiomqtt
import pytest
import pytest_asyncio

from polewright.adapters.mqtt.embedded_broker import EmbeddedBroker
from polewright.adapters.mqtt.payloads import check_payload, model_for
from polewright.settings.devices import MountSettings
from polewright.settings.displays import MqttSettings
from polewright.settings.model import Settings
from tests.system.indi_servers import free_port

START_TIMEOUT_S = 10.0


class Broker(Protocol):
    """A broker that tests start, kill and start again on the same port."""

    port: int

    async def start(self) -> None: ...

    async def stop(self) -> None: ...


class Mosquitto:
    """Debian's mosquitto as a process of its own.

    Parameters
    ----------
    directory : Path
        Where its configuration goes.
    extra : str
        More lines of configuration.
    """

    def __init__(self, directory: Path, extra: str = "allow_anonymous true\n") -> None:
        self.port = free_port()
        self._config = directory / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\npersistence false\nset_tcp_nodelay true\n"
            f"user {os.environ.get('USER', 'root')}\nlog_dest none\n{extra}"
        )
        self._process: subprocess.Popen[bytes] | None = None

    async def start(self) -> None:
        self._spawn()
        await wait_for_port(self.port)

    def _spawn(self) -> None:
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._process = subprocess.Popen(
            [program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    async def stop(self) -> None:
        """Kill it without a farewell."""
        if self._process is not None:
            self._process.kill()
            await asyncio.to_thread(self._process.wait, 5)
            self._process = None

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def freeze(self) -> None:
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        os.kill(self.pid, signal.SIGCONT)


class Embedded:
    """polewright's own broker, in the test's event loop."""

    def __init__(self) -> None:
        self.port = 0
        self._broker: EmbeddedBroker | None = None

    async def start(self) -> None:
        self._broker = await EmbeddedBroker(port=self.port).__aenter__()
        self.port = self._broker.port

    async def stop(self) -> None:
        if self._broker is not None:
            await self._broker.__aexit__(None, None, None)
            self._broker = None


async def wait_for_port(port: int) -> None:
    """Return once something listens there."""
    end_s = time.monotonic() + START_TIMEOUT_S
    while True:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            if time.monotonic() > end_s:
                raise
            await asyncio.sleep(0.02)
            continue
        writer.close()
        await writer.wait_closed()
        return


async def wait_until(condition: Callable[[], bool], timeout_s: float = 10.0) -> None:
    """Return once the condition holds; fail after ``timeout_s``."""
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        await asyncio.sleep(0.01)


def settings_for(port: int, *, mode: str = "external", **mqtt: Any) -> Settings:
    """Return settings for the mount Kudu and a broker at this port."""
    return Settings(
        mount=MountSettings(slug="kudu"),
        mqtt=MqttSettings(mode=mode, port=port, **mqtt),  # type: ignore[arg-type]
    )


class BreakableLink:
    """A TCP relay between a client and its broker; breaks without a farewell.

    Parameters
    ----------
    target_port : int
        The broker's port.
    """

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self.port = 0
        self.connections = 0

    async def __aenter__(self) -> "BreakableLink":
        self._server = await asyncio.start_server(self._relay, "127.0.0.1", 0)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.cut()

    async def cut(self) -> None:
        """Accept nothing more and reset every connection."""
        if self._server is not None:
            self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()
        await asyncio.sleep(0.05)

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._target_port)
        self._writers |= {writer, there_writer}
        with contextlib.suppress(OSError):
            await asyncio.gather(self._copy(reader, there_writer), self._copy(there_reader, writer))
        for one in (writer, there_writer):
            self._writers.discard(one)
            one.transport.abort()

    async def _copy(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
        writer.close()


class Listener:
    """Hears everything of one mount and checks each modelled payload against the contract."""

    def __init__(self, port: int, *, base: str = "polewright/kudu") -> None:
        self.port = port
        self.base = base
        self.messages: list[tuple[str, str, bool]] = []
        self.times_s: list[float] = []
        self.problems: list[str] = []
        self.checked = 0

    def texts(self, topic: str) -> list[str]:
        return [text for name, text, _ in self.messages if name == topic]

    async def listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic = str(message.topic).removeprefix(f"{self.base}/")
            text = bytes(message.payload).decode(errors="replace")
            self.messages.append((topic, text, bool(message.retain)))
            self.times_s.append(time.monotonic())
            if not text or topic.startswith("command/"):
                continue
            try:
                check_payload(topic, text)
            except ValueError as error:
                self.problems.append(f"{topic}: {error}")
            self.checked += model_for(topic) is not None


@contextlib.asynccontextmanager
async def listening(port: int) -> AsyncIterator[Listener]:
    """Give a listener; fail at the end if anything broke the contract."""
    listener = Listener(port)
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe(f"{listener.base}/#", qos=1)
        task = asyncio.create_task(listener.listen(client))
        try:
            yield listener
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await task
    assert listener.problems == []


@contextlib.asynccontextmanager
async def running(coroutine: Any) -> AsyncIterator[asyncio.Task[None]]:
    """Run something beside the test and end it with the block."""
    task: asyncio.Task[None] = asyncio.create_task(coroutine)
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@pytest_asyncio.fixture(params=["mosquitto", "embedded"])
async def broker(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Broker]:
    """A running broker, of either kind."""
    one: Broker = Mosquitto(tmp_path) if request.param == "mosquitto" else Embedded()
    await one.start()
    try:
        yield one
    finally:
        await one.stop()
