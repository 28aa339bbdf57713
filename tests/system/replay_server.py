"""Replay: plays a recording as an INDI server, so that an odd device is met again in a test."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree.ElementTree import Element

from polewright.adapters.indi.recording import RecordedMessage, read_recording
from tests.system.fake_indi_server import FakeIndiServer, blob

RECORDINGS = Path(__file__).with_name("recordings")
# Pauses are played this much faster, and none is longer than this (s).
HASTE = 10.0
LONGEST_PAUSE_S = 0.3


@dataclass
class Replay:
    """One recorded connection: what is said at first, and what each command was answered with.

    Attributes
    ----------
    unexpected : list of (device, property)
        Commands that the recording does not hold (any more): they get no answer.
    """

    messages: tuple[RecordedMessage, ...]
    frame: bytes = b""
    unexpected: list[tuple[str, str]] = field(default_factory=list)
    _next: int = 0

    @property
    def opening(self) -> str:
        """All definitions and updates before the first command."""
        return "".join(
            self._wire(one) for one in self.messages[: self._first_command] if not one.sent
        )

    @property
    def _first_command(self) -> int:
        commands = (n for n, one in enumerate(self.messages) if _is_command(one))
        return next(commands, len(self.messages))

    async def react(self, server: FakeIndiServer, element: Element) -> None:
        """Play what followed the same command in the recording."""
        begin = max(self._next, self._first_command)
        wanted = (element.get("device", ""), element.get("name", ""))
        for number in range(begin, len(self.messages)):
            one = self.messages[number]
            if _is_command(one) and (one.device, one.name) == wanted:
                break
        else:
            self.unexpected.append(wanted)
            return
        self._next = number + 1
        before_s = one.at_s
        for answer in self.messages[number + 1 :]:
            if _is_command(answer) or answer.tag == "connect":
                return
            if answer.sent:
                continue
            await asyncio.sleep(min(LONGEST_PAUSE_S, (answer.at_s - before_s) / HASTE))
            before_s = answer.at_s
            await server.send(self._wire(answer))

    def _wire(self, message: RecordedMessage) -> str:
        if message.tag != "setBLOBVector":
            return message.xml()
        if not message.elements:
            return message.xml()
        return blob(message.device, self.frame, kind=message.elements[0].attributes["format"])


def _is_command(message: RecordedMessage) -> bool:
    return message.sent and message.tag.startswith("new")


def connections(messages: tuple[RecordedMessage, ...]) -> list[tuple[RecordedMessage, ...]]:
    """Return the messages of each connection of a recording."""
    parts: list[list[RecordedMessage]] = []
    for message in messages:
        if message.tag == "connect":
            parts.append([])
        elif parts:
            parts[-1].append(message)
    return [tuple(part) for part in parts]


@asynccontextmanager
async def replay_server(
    name: str, *, frame: bytes = b"", connection: int | None = None
) -> AsyncIterator[tuple[FakeIndiServer, Replay]]:
    """Play a recording from ``recordings/`` on a free loopback port.

    ``connection`` is which one of it, counted from 0; left out: the one with most commands.
    ``frame`` is sent where the recorded device sent a frame.
    """
    parts = connections(read_recording(RECORDINGS / name))
    if connection is None:
        part = max(parts, key=lambda one: sum(map(_is_command, one)))
    else:
        part = parts[connection]
    replay = Replay(messages=part, frame=frame)
    fake = FakeIndiServer(replay.opening, replay.react, silent=False)
    server = await asyncio.start_server(fake.serve, "127.0.0.1", 0)
    fake.port = server.sockets[0].getsockname()[1]
    try:
        yield fake, replay
    finally:
        server.close()
        for writer in list(fake._writers):
            writer.close()
        await server.wait_closed()
        await fake.finish()
