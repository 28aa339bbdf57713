"""The page of many mounts: the rows as they stand, to whoever may look; it commands nothing."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from aiohttp import WSCloseCode, WSMsgType, web

from polewright import __version__
from polewright.adapters.web.access import Role
from polewright.adapters.web.assets import FLEET_INDEX
from polewright.adapters.web.greeting import link_message, message_text, read_message
from polewright.adapters.web.hosting import Hosting
from polewright.adapters.web.outbox import Allowance, Outbox, OutboxFullError
from polewright.adapters.web.server import tokens_for
from polewright.settings.devices import RESERVED_SLUG
from polewright.settings.model import Settings

RowsSource = Callable[[], dict[str, Any]]
"""Returns how all mounts stand now, as one object."""

# Figures that age need no more, and hundreds of rows are some tens of kilobytes (s).
_PERIOD_S = 1.0
# A browser that takes nothing for so long is gone (s).
_SEND_TIMEOUT_S = 10.0
_MESSAGES_PER_S = 5.0
_MESSAGES_AT_ONCE = 20.0


class FleetPage:
    """The page of all mounts of a broker.

    Its tokens, where it asks for any, are in a file of their own beside those of the mounts' pages;
    either of the two lets somebody look, and neither lets anybody command.

    Parameters
    ----------
    settings : Settings
        Where to listen, whom to let in; ``port`` goes before the settings'.
    rows : callable
        How the mounts stand.
    where : str
        Which broker, in words.

    Raises
    ------
    UsageError
        ``token_file``, ``page_certificate``.
    """

    def __init__(self, settings: Settings, rows: RowsSource, *, port: int, where: str) -> None:
        self._rows = rows
        self._where = where
        self._outboxes: set[Outbox] = set()
        self._leaving = asyncio.Event()
        self._hosting = Hosting(
            settings.page.model_copy(update={"port": port}),
            index=FLEET_INDEX,
            tokens=tokens_for(settings, RESERVED_SLUG),
            talk=self._talk,
        )

    @property
    def address(self) -> str:
        """Where the page is, without a token."""
        return self._hosting.address

    @property
    def asks_for_tokens(self) -> bool:
        """Whether browsers have to say who they are."""
        return self._hosting.tokens is not None

    @property
    def link(self) -> str:
        """The link for those who look."""
        found = self._hosting.link(Role.LOOK) or self._hosting.link(Role.COMMAND)
        return found or self._hosting.address

    @asynccontextmanager
    async def serving(self) -> AsyncIterator[None]:
        """Serve while the context is open.

        Raises
        ------
        LinkError
            ``page_port``: the address cannot be listened at.
        """
        async with self._hosting.serving(self._leaving.set, self._tell):
            yield

    async def _tell(self) -> None:
        """Tell every open page how the mounts stand, as long as any is open."""
        while True:
            if self._outboxes:
                message = self._message()
                for outbox in self._outboxes:
                    outbox.put("fleet", message)
            await asyncio.sleep(_PERIOD_S)

    def _message(self) -> str:
        return message_text("fleet", self._rows())

    async def _talk(self, socket: web.WebSocketResponse, address: str, role: Role) -> None:
        outbox = Outbox()
        welcome = {
            "role": Role.LOOK.value,
            "where": self._where,
            "version": __version__,
            "messages": {},
        }
        outbox.put("link/welcome", link_message("welcome", welcome))
        outbox.put("fleet", self._message())
        self._outboxes.add(outbox)
        work = [
            asyncio.ensure_future(_send(socket, outbox)),
            asyncio.ensure_future(_receive(socket, outbox)),
            asyncio.ensure_future(self._leaving.wait()),
        ]
        try:
            await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
        finally:
            self._outboxes.discard(outbox)
            for task in work:
                task.cancel()
            await asyncio.gather(*work, return_exceptions=True)
        if not socket.closed:
            await socket.close(code=WSCloseCode.GOING_AWAY, message=b"")


async def _send(socket: web.WebSocketResponse, outbox: Outbox) -> None:
    while True:
        message = await outbox.take()
        try:
            async with asyncio.timeout(_SEND_TIMEOUT_S):
                await socket.send_str(str(message))
        except (TimeoutError, ConnectionError):
            return


async def _receive(socket: web.WebSocketResponse, outbox: Outbox) -> None:
    """Answer the page's clock; it has nothing else to say."""
    allowance = Allowance(per_s=_MESSAGES_PER_S, at_once=_MESSAGES_AT_ONCE)
    while True:
        message = await socket.receive()
        if message.type is not WSMsgType.TEXT or not allowance.takes(time.monotonic()):
            return
        asked = read_message(message.data)
        try:
            if asked is not None and isinstance(asked.get("clock"), int | float):
                now_ms = time.time() * 1000.0
                outbox.put(
                    "link/clock", link_message("clock", {"clock": asked["clock"], "ms": now_ms})
                )
            else:
                outbox.put("link/refused", link_message("refused", {"why": "this page only looks"}))
        except OutboxFullError:
            return
