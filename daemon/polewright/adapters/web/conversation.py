"""The conversation with one open page: who it is, what it is told, what it asks."""

import asyncio
import json
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from aiohttp import WSCloseCode, WSMsgType, web

from polewright.adapters.web.access import Role, Tokens, WrongTokens
from polewright.adapters.web.feed import Feed, Viewer
from polewright.adapters.web.outbox import Allowance
from polewright.adapters.web.phone import Phone, PhoneMessage

log = logging.getLogger(__name__)

CommandSink = Callable[[str, bytes], None]
"""``sink(verb, payload)`` takes a command as it arrived; answers are published."""

# Twice the contract's limit: what is a little too long gets an answer in words.
LARGEST_MESSAGE_BYTES = 32 * 1024
# A page that opens says at once who it is.
_HELLO_TIMEOUT_S = 5.0
# A browser that takes nothing for so long is gone.
_SEND_TIMEOUT_S = 10.0
# Thumbs do one a second; the clock and a page that comes back add a few.
_MESSAGES_PER_S = 10.0
_MESSAGES_AT_ONCE = 40.0
_DEEPEST = 16

# Private close codes (4000 to 4999, RFC 6455): the page tells them apart.
TOKEN_REFUSED = 4401
TRY_LATER = 4429


@dataclass(frozen=True, slots=True, kw_only=True)
class Welcome:
    """What a page is told of the service before anything else."""

    mount: str
    site: str
    version: str


class Conversation:
    """One WebSocket from its first word to its last.

    Parameters
    ----------
    socket : aiohttp.web.WebSocketResponse
        Open.
    address : str
        Of the other side.
    feed : Feed
        What is told.
    commands : callable
        Takes commands.
    tokens : Tokens, optional
        None: this machine only, nobody is asked.
    wrong : WrongTokens
        Who tried too often.
    welcome : Welcome
        Told to those who are let in.
    phone : Phone
        Takes what a phone's sensors say.
    """

    def __init__(
        self,
        socket: web.WebSocketResponse,
        address: str,
        *,
        feed: Feed,
        commands: CommandSink,
        tokens: Tokens | None,
        wrong: WrongTokens,
        welcome: Welcome,
        phone: Phone,
    ) -> None:
        self._socket = socket
        self._address = address
        self._feed = feed
        self._commands = commands
        self._tokens = tokens
        self._wrong = wrong
        self._welcome = welcome
        self._phone = phone
        self._allowance = Allowance(per_s=_MESSAGES_PER_S, at_once=_MESSAGES_AT_ONCE)
        self.refused = 0

    async def greet(self) -> Role | None:
        """Return what this page may do; None where it was turned away."""
        try:
            first = await self._socket.receive(timeout=_HELLO_TIMEOUT_S)
        except TimeoutError:
            await self._close(WSCloseCode.POLICY_VIOLATION, b"no hello")
            return None
        hello = _read(first.data) if first.type is WSMsgType.TEXT else None
        if hello is None or hello.get("hello") != 1:
            await self._close(WSCloseCode.POLICY_VIOLATION, b"no hello")
            return None
        if self._tokens is None:
            return Role.COMMAND
        if self._wrong.must_wait(self._address):
            await self._close(TRY_LATER, b"too many wrong tokens")
            return None
        role = self._tokens.role_of(hello.get("token"))
        if role is None:
            self._wrong.note(self._address)
            await self._close(TOKEN_REFUSED, b"token refused")
        return role

    async def run(self, role: Role) -> None:
        """Talk until either side has enough."""
        viewer = Viewer(role)
        with self._feed.open_to(viewer):
            welcome = {
                "role": role.value,
                "mount": self._welcome.mount,
                "site": self._welcome.site,
                "version": self._welcome.version,
                **self._feed.so_far(),
            }
            viewer.tell("link/welcome", _link("welcome", welcome))
            work = [
                asyncio.ensure_future(self._send(viewer)),
                asyncio.ensure_future(self._receive(viewer)),
                asyncio.ensure_future(viewer.lost.wait()),
            ]
            try:
                await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self._phone.end(viewer)
                for task in work:
                    task.cancel()
                ended = await asyncio.gather(*work, return_exceptions=True)
        for outcome in ended:
            if isinstance(outcome, Exception) and not isinstance(outcome, ConnectionError):
                log.error("Bug in the conversation with a page", exc_info=outcome)
        if not self._socket.closed:
            await self._close(WSCloseCode.GOING_AWAY, b"")

    async def _send(self, viewer: Viewer) -> None:
        while True:
            message = await viewer.outbox.take()
            try:
                async with asyncio.timeout(_SEND_TIMEOUT_S):
                    if isinstance(message, bytes):
                        await self._socket.send_bytes(message)
                    else:
                        await self._socket.send_str(message)
            except TimeoutError:
                log.info("A page at %s does not read any more and is given up", self._address)
                return

    async def _receive(self, viewer: Viewer) -> None:
        while True:
            message = await self._socket.receive()
            if message.type in (WSMsgType.CLOSE, WSMsgType.CLOSING, WSMsgType.CLOSED):
                return
            if message.type is WSMsgType.ERROR:
                return
            if not self._allowance.takes(time.monotonic()):
                log.warning("A page at %s sends too much and is cut off", self._address)
                await self._close(WSCloseCode.POLICY_VIOLATION, b"too many messages")
                return
            asked = _read(message.data) if message.type is WSMsgType.TEXT else None
            if asked is None:
                self._refuse(viewer, "not understood")
            elif "clock" in asked and isinstance(asked["clock"], int | float):
                now_ms = time.time() * 1000.0
                viewer.tell("link/clock", _link("clock", {"clock": asked["clock"], "ms": now_ms}))
            elif "pictures" in asked and isinstance(asked["pictures"], bool):
                self._feed.wish_pictures(viewer, wanted=asked["pictures"])
            elif "sensor" in asked:
                self._sense(viewer, asked["sensor"])
            elif isinstance(asked.get("command"), str) and isinstance(asked.get("payload"), dict):
                self._command(viewer, asked["command"], asked["payload"])
            else:
                self._refuse(viewer, "not understood")

    def _command(self, viewer: Viewer, verb: str, payload: dict[str, Any]) -> None:
        identifier = payload.get("id")
        if viewer.role is not Role.COMMAND:
            error = {
                "code": "onlooker",
                "text": "This link may look, and not command; nothing was done",
                "remedy": "Open the page by the link for commanding.",
            }
            answer = {"id": identifier, "ok": False, "status": "failed", "error": error}
            viewer.tell("reply/refused", _message("reply/refused", answer))
            return
        if isinstance(identifier, str):
            viewer.asks(identifier)
        with self._feed.asking(viewer):
            self._commands(verb, json.dumps(payload).encode())

    def _sense(self, viewer: Viewer, said: object) -> None:
        if viewer.role is not Role.COMMAND:
            viewer.tell("link/sensor", _link("sensor", {"state": "onlooker"}))
        elif said is None:
            self._phone.end(viewer)
        elif (message := PhoneMessage.read(said)) is None:
            self._refuse(viewer, "not understood")
        elif not self._phone.take(viewer, message):
            viewer.tell("link/sensor", _link("sensor", {"state": "taken"}))

    def _refuse(self, viewer: Viewer, why: str) -> None:
        self.refused += 1
        if self.refused == 1:
            log.warning("A page at %s sends what is not understood", self._address)
        viewer.tell("link/refused", _link("refused", {"why": why}))

    async def _close(self, code: int, why: bytes) -> None:
        await self._socket.close(code=code, message=why)


def _link(kind: str, body: dict[str, Any]) -> str:
    return _message(f"link/{kind}", body)


def _message(topic: str, body: dict[str, Any]) -> str:
    return json.dumps({"topic": topic, "payload": body}, ensure_ascii=False)


def _read(text: str) -> dict[str, Any] | None:
    """Return a message as an object; None where it is none, or nested beyond reason."""
    try:
        found = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) and _depth_is_fine(found, _DEEPEST) else None


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not JSON")


def _depth_is_fine(value: object, left: int) -> bool:
    if left == 0:
        return False
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return all(_depth_is_fine(one, left - 1) for one in inner)
