"""Earlier evenings: told over the open connection; reports are opened by a ticket from there."""

import asyncio
import hmac
import logging
import secrets
import time
from collections.abc import Callable
from typing import Any, Protocol

from aiohttp import web

from polewright.core.errors import PolewrightError

log = logging.getLogger(__name__)

REPORT_PATH = "/report/{number}"

# A report is opened from a list that a person has before them.
_TICKET_S = 1800.0
_MOST_TICKETS = 64
# A report has its own styles within, and nothing else may run or be fetched.
_REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)


class Archive(Protocol):
    """What is kept of earlier evenings; both raise PolewrightError where it cannot be read."""

    async def overview(self) -> dict[str, Any]:
        """Return what is kept, in a few words for each evening."""

    async def report(self, number: int) -> str:
        """Return the report of one evening, a whole HTML page."""


class PastDoor:
    """Hands out what is kept, to pages that were let in.

    A browser cannot send the page's token with a link; so a page that asks for the list gets a
    ticket, by which it may open reports for half an hour.

    Parameters
    ----------
    archive : Archive
        What is kept.
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(self, archive: Archive, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._archive = archive
        self._monotonic = monotonic
        self._tickets: dict[str, float] = {}

    async def told(self) -> dict[str, Any]:
        """Return what is kept and a ticket; or why it cannot be told."""
        try:
            found = await self._archive.overview()
        except PolewrightError as trouble:
            return {"trouble": {"text": trouble.text, "remedy": trouble.remedy}}
        return {**found, "ticket": self._ticket()}

    async def report(self, request: web.Request) -> web.StreamResponse:
        """Answer a request for one evening's report."""
        if not self.holds(request.query.get("ticket", "")):
            return web.Response(
                status=403,
                text="This link to a report has ended. Open it again from the page: View, "
                "Earlier evenings.\n",
            )
        number = request.match_info["number"]
        if not (number.isascii() and number.isdecimal() and len(number) < 8):
            raise web.HTTPNotFound
        try:
            page = await self._archive.report(int(number))
        except PolewrightError as trouble:
            return web.Response(status=404, text=f"{trouble.text}. {trouble.remedy}\n")
        return web.Response(
            text=page,
            content_type="text/html",
            headers={"Content-Security-Policy": _REPORT_POLICY, "Cache-Control": "no-store"},
        )

    def _ticket(self) -> str:
        now_s = self._monotonic()
        kept = {one: ends_s for one, ends_s in self._tickets.items() if ends_s > now_s}
        while len(kept) >= _MOST_TICKETS:
            del kept[next(iter(kept))]
        ticket = secrets.token_urlsafe(24)
        self._tickets = kept | {ticket: now_s + _TICKET_S}
        return ticket

    def holds(self, given: str) -> bool:
        """Return whether a ticket is one of ours and has not ended."""
        now_s = self._monotonic()
        # All are compared always, so that the time taken tells nothing.
        fits = [
            hmac.compare_digest(given.encode("utf-8", "replace"), ticket.encode())
            and ends_s > now_s
            for ticket, ends_s in self._tickets.items()
        ]
        return any(fits)


class PastAsking:
    """One page's asking: a second wish waits for the first one's answer.

    Parameters
    ----------
    door : PastDoor, optional
        None: nothing is kept here.
    tell : callable
        Takes the answer.
    """

    def __init__(self, door: PastDoor | None, tell: Callable[[dict[str, Any]], None]) -> None:
        self._door = door
        self._tell = tell
        self._task: asyncio.Task[None] | None = None

    def ask(self) -> None:
        """Begin to read, unless that goes on already."""
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._answer())

    async def end(self) -> None:
        """Give up what is still read."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _answer(self) -> None:
        if self._door is None:
            self._tell({"trouble": {"text": "No journal is kept here", "remedy": ""}})
            return
        try:
            self._tell(await self._door.told())
        except Exception:
            log.exception("Bug: earlier evenings cannot be told")
            self._tell({"trouble": {"text": "The service stumbled over its journal", "remedy": ""}})
