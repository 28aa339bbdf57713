"""The conversation with one open page that was let in: what it is told, what it asks."""

import asyncio
import json
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from aiohttp import WSCloseCode, WSMsgType, web

from polewright.adapters.web.access import Role
from polewright.adapters.web.feed import Feed, Viewer
from polewright.adapters.web.greeting import link_message, message_text, read_message
from polewright.adapters.web.outbox import Allowance
from polewright.adapters.web.past import PastAsking, PastDoor
from polewright.adapters.web.phone import Phone, PhoneMessage

log = logging.getLogger(__name__)

CommandSink = Callable[[str, bytes], None]
"""``sink(verb, payload)`` takes a command as it arrived; answers are published."""

# A browser that takes nothing for so long is gone.
_SEND_TIMEOUT_S = 10.0
# Thumbs do one a second; the clock and a page that comes back add a few.
_MESSAGES_PER_S = 10.0
_MESSAGES_AT_ONCE = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Welcome:
    """What a page is told of the service before anything else."""

    mount: str
    site: str
    version: str


class Conversation:
    """One WebSocket from its welcome to its last word.

    Parameters
    ----------
    socket : aiohttp.web.WebSocketResponse
        Open, and let in.
    address : str
        Of the other side.
    feed : Feed
        What is told.
    commands : callable
        Takes commands.
    welcome : Welcome
        Told to those who are let in.
    phone : Phone
        Takes what a phone's sensors say.
    past : PastDoor, optional
        Tells of earlier evenings.
    """

    def __init__(
        self,
        socket: web.WebSocketResponse,
        address: str,
        *,
        feed: Feed,
        commands: CommandSink,
        welcome: Welcome,
        phone: Phone,
        past: PastDoor | None = None,
    ) -> None:
        self._socket = socket
        self._address = address
        self._feed = feed
        self._commands = commands
        self._welcome = welcome
        self._phone = phone
        self._past = past
        self._allowance = Allowance(per_s=_MESSAGES_PER_S, at_once=_MESSAGES_AT_ONCE)
        self.refused = 0

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
            viewer.tell("link/welcome", link_message("welcome", welcome))
            asking = PastAsking(
                self._past, lambda told: viewer.tell("link/past", link_message("past", told))
            )
            work = [
                asyncio.ensure_future(self._send(viewer)),
                asyncio.ensure_future(self._receive(viewer, asking)),
                asyncio.ensure_future(viewer.lost.wait()),
            ]
            try:
                await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self._phone.end(viewer)
                await asking.end()
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

    async def _receive(self, viewer: Viewer, asking: PastAsking) -> None:
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
            asked = read_message(message.data) if message.type is WSMsgType.TEXT else None
            if asked is None:
                self._refuse(viewer, "not understood")
            elif "clock" in asked and isinstance(asked["clock"], int | float):
                now_ms = time.time() * 1000.0
                viewer.tell(
                    "link/clock", link_message("clock", {"clock": asked["clock"], "ms": now_ms})
                )
            elif "pictures" in asked and isinstance(asked["pictures"], bool):
                self._feed.wish_pictures(viewer, wanted=asked["pictures"])
            elif asked.get("past") is True:
                asking.ask()
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
            viewer.tell("reply/refused", message_text("reply/refused", answer))
            return
        if isinstance(identifier, str):
            viewer.asks(identifier)
        with self._feed.asking(viewer):
            self._commands(verb, json.dumps(payload).encode())

    def _sense(self, viewer: Viewer, said: object) -> None:
        if viewer.role is not Role.COMMAND:
            viewer.tell("link/sensor", link_message("sensor", {"state": "onlooker"}))
        elif said is None:
            self._phone.end(viewer)
        elif (message := PhoneMessage.read(said)) is None:
            self._refuse(viewer, "not understood")
        elif not self._phone.take(viewer, message):
            viewer.tell("link/sensor", link_message("sensor", {"state": "taken"}))

    def _refuse(self, viewer: Viewer, why: str) -> None:
        self.refused += 1
        if self.refused == 1:
            log.warning("A page at %s sends what is not understood", self._address)
        viewer.tell("link/refused", link_message("refused", {"why": why}))

    async def _close(self, code: int, why: bytes) -> None:
        await self._socket.close(code=code, message=why)
