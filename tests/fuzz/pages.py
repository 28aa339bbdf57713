"""Pages: raw HTTP at a real socket, the WebSocket's messages, names, origins, the stop door."""

import asyncio
import contextlib
import json
from collections.abc import Callable
from functools import cache
from types import SimpleNamespace
from typing import Any

from aiohttp import WSMsgType

from polewright.adapters.direct.stop_door import _answer
from polewright.adapters.mqtt.command_desk import CommandDesk, Reply
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.topics import MountTopics
from polewright.adapters.web.access import (
    Tokens,
    WrongTokens,
    is_called_right,
    is_same_origin,
    own_names,
)
from polewright.adapters.web.conversation import Conversation, Welcome
from polewright.adapters.web.feed import Feed
from polewright.adapters.web.greeting import greeted
from polewright.adapters.web.phone import Phone
from polewright.adapters.web.server import Page
from polewright.app.page import PageCommands
from polewright.settings.model import Settings
from tests.fuzz.dice import Dice, dumped
from tests.fuzz.messages import VERBS
from tests.fuzz.virtual_loop import runner

Run = Callable[[bytes], None]

_TOPICS = MountTopics("polewright", "kudu")
_TOKENS = Tokens(command="c" * 32, look="l" * 32)


async def _obey(verb: str, arguments: dict[str, Any], _reply: Reply) -> dict[str, Any]:
    return {"stopped": True} if verb == "stop" else {}


def access() -> Run:
    """Host and Origin headers, and tokens."""
    names = own_names(["kudu.example.net"])

    def run(data: bytes) -> None:
        dice = Dice(data)
        start = dice.pick(("", "http://", "https://", "http://[", "//", "http://127.0.0.1:"))
        one, other = start + dice.text(), dice.text()
        # Headers reach the code with whatever bytes stood in them (RFC 9110, section 5.5).
        raw = dice.rest().decode("utf-8", "surrogateescape")
        for header in (one, other, raw):
            is_called_right(header, names)
            is_same_origin(header, other)
            is_same_origin(start + raw, header)
            _TOKENS.role_of(header)

    return run


class _Socket:
    """A WebSocket that says what it was given, and takes down what it is told."""

    def __init__(self, messages: list[Any]) -> None:
        self._messages = messages
        self.told: list[str] = []
        self.closed = False

    async def receive(self, timeout: float | None = None) -> Any:
        await asyncio.sleep(0.2)
        if self._messages and not self.closed:
            return self._messages.pop(0)
        return SimpleNamespace(type=WSMsgType.CLOSED, data=None)

    async def send_str(self, text: str) -> None:
        text.encode()
        assert "NaN" not in text or '"' in text
        json.loads(text, parse_constant=_no_json)
        self.told.append(text)

    async def send_bytes(self, data: bytes) -> None:
        self.told.append(str(len(data)))

    async def close(self, *, code: int, message: bytes) -> None:
        assert 1000 <= code < 5000
        assert len(message) < 124
        self.closed = True


def _no_json(name: str) -> None:
    raise AssertionError(f"{name} is not JSON")


def _said(dice: Dice) -> Any:
    """Return a message of a page, near to what pages say."""
    match dice.below(8):
        case 0:
            return dice.json()
        case 1:
            return {"clock": dice.json(1)}
        case 2:
            return {"pictures": dice.pick((True, False, None, 1))}
        case 3 | 4:
            event = {
                "t": dice.pick((1.0, 2e3, 1e13, dice.number())),
                "alpha": dice.pick((None, 3.0, 360.0)),
                "beta": dice.pick((0.0, 90.0, -180.0)),
                "gamma": dice.pick((0.0, 89.0, -90.0)),
                "absolute": dice.one_in(2),
                "heading": dice.pick((None, 0.0, 359.0)),
                "gravity": dice.pick((None, [0.0, 0.0, 0.0], [0.0, 9.8, 0.1], dice.json(1))),
            }
            return {
                "sensor": {
                    "hold": dice.pick(("square", "along", "x")),
                    "begins": dice.below(3) > 0,
                    "events": [event] * dice.below(40),
                }
            }
        case _:
            payload = dice.json(2)
            if dice.below(4):
                payload = {"id": dice.pick(("a", "b", "\ud800", dice.text())), "x": payload}
            return {"command": dice.pick((*VERBS, dice.text())), "payload": payload}


def conversation() -> Run:
    """What a browser may say on the WebSocket, from its hello on."""
    running = runner()

    async def talk(dice: Dice) -> None:
        publisher = MqttPublisher(_TOPICS)
        commands = PageCommands(CommandDesk(publisher, _obey, instance="page"))
        feed, phone = Feed(lambda: None), Phone()
        publisher.tell_also(feed.hear)
        messages = []
        for number in range(1 + dice.below(6)):
            text: str | bytes
            if number == 0 and dice.below(6):
                token = dice.pick(("c" * 32, "l" * 32, "é", "\ud800", dice.text()))
                text = json.dumps({"hello": 1, "token": token})
            elif dice.one_in(9):
                text = dice.take(dice.below(200)).decode("utf-8", "replace")
            else:
                text = dumped(_said(dice)).decode()
            kind = dice.pick((WSMsgType.TEXT,) * 9 + (WSMsgType.BINARY, WSMsgType.ERROR))
            messages.append(SimpleNamespace(type=kind, data=text))
        socket: Any = _Socket(messages)
        tokens = _TOKENS if dice.below(4) else None
        one = Conversation(
            socket,
            "::1",
            feed=feed,
            commands=commands.take,
            welcome=Welcome(mount="kudu", site="Thornveld Terrace", version="1"),
            phone=phone,
        )
        obeying = asyncio.create_task(commands.run())
        await asyncio.sleep(0)
        role = await greeted(socket, "::1", tokens, WrongTokens())
        if role is not None:
            await one.run(role)
        _ = phone.reading
        obeying.cancel()
        await asyncio.gather(obeying, return_exceptions=True)

    def run(data: bytes) -> None:
        running.run(talk(Dice(data)))

    return run


_LINES = (
    b"GET / HTTP/1.1",
    b"GET /live HTTP/1.1",
    b"GET /page.css HTTP/1.1",
    b"HEAD /main.js HTTP/1.0",
    b"POST / HTTP/1.1",
    b"GET /..%2f..%2fetc/passwd HTTP/1.1",
    b"GET /%00 HTTP/1.1",
    b"PRI * HTTP/2.0",
    b"GET http://evil.example/ HTTP/1.1",
    b"OPTIONS * HTTP/1.1",
    b"GET /\xff HTTP/1.1",
    b"GET /live?token=x HTTP/1.1",
    b"CONNECT kudu:1 HTTP/1.1",
    b"GET  HTTP/1.1",
    b"GET /%ff%fe HTTP/1.1",
)
_HEADERS = (
    b"Host: 127.0.0.1",
    b"Host: [::1",
    b"Host: evil.example",
    b"Host: \xff",
    b"Origin: http://127.0.0.1",
    b"Origin: http://[",
    b"Origin: null",
    b"Origin: http://[::1]:x",
    b"Upgrade: websocket",
    b"Connection: Upgrade",
    b"Sec-WebSocket-Version: 13",
    b"Sec-WebSocket-Version: 99",
    b"Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==",
    b"Sec-WebSocket-Key: x",
    b"Expect: 100-continue",
    b"Content-Length: 5",
    b"Content-Length: -1",
    b"Transfer-Encoding: chunked",
    b'If-None-Match: "\xe9"',
    b"Content-Encoding: deflate",
    b"Cookie: a=b",
    b"Range: bytes=0-",
    b"Accept-Encoding: br",
    b"Content-Type: multipart/form-data; boundary=",
    b"Sec-WebSocket-Extensions: permessage-deflate",
)


def _request(dice: Dice) -> bytes:
    if dice.one_in(12):
        return dice.rest()
    lines = [dice.pick(_LINES)]
    if dice.below(6):
        lines.append(b"Host: 127.0.0.1")
    if dice.one_in(3):
        lines += [*_HEADERS[8:11], _HEADERS[12], dice.pick(_HEADERS[4:8])]
    lines += [dice.pick(_HEADERS) for _ in range(dice.below(4))]
    if dice.one_in(6):
        lines.append(dice.take(dice.below(40)))
    return b"\r\n".join(lines) + b"\r\n\r\n" + dice.rest()


@cache
def _real_runner() -> asyncio.Runner:
    return asyncio.Runner()


def requests() -> Run:
    """Bytes at the page's port, through the real server."""
    running = _real_runner()
    settings = Settings.model_validate({"mount": {"slug": "kudu"}, "page": {"port": 0}})
    page = Page(settings, lambda _verb, _payload: None, lambda: None)
    serving = page.serving()
    running.run(serving.__aenter__())

    async def ask(request: bytes) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", page.port)
        try:
            writer.write(request)
            writer.write_eof()
            answer = b""
            async with asyncio.timeout(8.0):
                while piece := await reader.read(65536):
                    answer += piece
            status = answer[9:12] if answer.startswith(b"HTTP/1.") else b""
            assert status[:1] != b"5" or status == b"503", f"the page answers {answer[:60]!r}"
        except ConnectionError:
            pass
        finally:
            writer.close()

    def run(data: bytes) -> None:
        assert serving is not None, "what is let go of ends the server"
        running.run(ask(_request(Dice(data))))

    return run


def stop_door() -> Run:
    """Bytes at the socket by which stop comes without a broker: only stop stops."""
    running = runner()

    class Writer:
        def write(self, data: bytes) -> None:
            json.loads(data)

        async def drain(self) -> None:
            return None

    async def open_door(data: bytes) -> None:
        stopped: list[bool] = []

        async def stop() -> dict[str, Any]:
            stopped.append(True)
            return {"stopped": True}

        reader = asyncio.StreamReader(limit=256)
        reader.feed_data(data)
        if len(data) % 2:
            reader.feed_eof()
        # The door itself takes these for silence.
        with contextlib.suppress(TimeoutError, ValueError):
            await _answer(reader, Writer(), stop)  # type: ignore[arg-type]
        assert bool(stopped) is data.startswith(b"stop\n"), "stopped, or not, against what was said"

    def run(data: bytes) -> None:
        running.run(open_door(data))

    return run
