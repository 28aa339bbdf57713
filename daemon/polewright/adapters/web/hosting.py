"""Hosting a page: its files, who may open it, and the one connection that each open page has."""

import asyncio
import contextlib
import logging
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Mapping
from contextlib import asynccontextmanager
from typing import Any

from aiohttp import web

from polewright.adapters.web.access import (
    Role,
    Tokens,
    WrongTokens,
    is_called_right,
    is_same_origin,
    own_names,
)
from polewright.adapters.web.assets import Asset, content_security_policy, read_assets
from polewright.adapters.web.greeting import greeted
from polewright.adapters.web.links import page_link
from polewright.adapters.web.noise import requests_log
from polewright.core.errors import LinkError, UsageError
from polewright.settings.displays import PageSettings

log = logging.getLogger(__name__)

LIVE_PATH = "/live"

# Twice the contract's limit: what is a little too long gets an answer in words.
LARGEST_MESSAGE_BYTES = 32 * 1024
# Pages of one evening; more are a mistake, or somebody who means harm.
MOST_PAGES = 32
# Of these, pages that have not said yet who they are.
_MOST_STRANGERS = 12
# Silence of a browser that is still there (s): it is asked, and gone when it does not answer.
_HEARTBEAT_S = 15.0
# Leave-taking must not hold up the end of the service (s).
_LAST_WORDS_S = 1.0

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
Talk = Callable[[web.WebSocketResponse, str, Role], Awaitable[None]]
"""``talk(socket, address, role)`` talks with one open page until either side has enough."""


class Hosting:
    """Serves one page, to those who may open it.

    Parameters
    ----------
    where : PageSettings
        Where to listen, by which names this machine is called.
    index : str
        The page's own file.
    tokens : Tokens, optional
        None: this machine only, nobody is asked.
    talk : callable
        Talks with those who are let in.
    further : mapping, optional
        More paths and what answers them.

    Raises
    ------
    UsageError
        ``page_certificate``.
    """

    def __init__(
        self,
        where: PageSettings,
        *,
        index: str,
        tokens: Tokens | None,
        talk: Talk,
        further: Mapping[str, Handler] | None = None,
    ) -> None:
        self._where = where
        self._index_name = index
        self.tokens = tokens
        self._talk = talk
        self._further = further or {}
        self.port = where.port
        self._names = own_names(where.names)
        self._wrong = WrongTokens()
        self._assets = read_assets(index)
        self._strangers = 0
        self._open = 0
        self._nobody = asyncio.Event()
        self._nobody.set()
        self._tls = _tls_context(where)

    @property
    def address(self) -> str:
        """Where the page is, without a token."""
        return page_link(self._where, self.port, None) or ""

    def link(self, role: Role) -> str | None:
        """Return the link for a role, with its token; None where the role is not let in."""
        return page_link(self._where, self.port, self.tokens, role)

    @asynccontextmanager
    async def serving(
        self, take_leave: Callable[[], None], beside: Callable[[], Coroutine[Any, Any, None]]
    ) -> AsyncIterator[None]:
        """Serve while the context is open.

        Parameters
        ----------
        take_leave : callable
            Ends the open conversations.
        beside : coroutine function
            What goes on for ever meanwhile.

        Raises
        ------
        LinkError
            ``page_port``: the address cannot be listened at.
        """
        application = web.Application(middlewares=[self._guarded])
        application.router.add_get("/", self._index)
        application.router.add_get(LIVE_PATH, self._live)
        for path, handler in self._further.items():
            application.router.add_get(path, handler)
        application.router.add_get("/{name}", self._file)
        runner = web.AppRunner(
            application, access_log=None, logger=requests_log(), shutdown_timeout=_LAST_WORDS_S
        )
        await runner.setup()
        try:
            where = self._where
            site = web.TCPSite(runner, where.host, where.port, ssl_context=self._tls)
            try:
                await site.start()
            except OSError as trouble:
                raise LinkError(
                    f"the page cannot be served at {where.host}:{where.port}: "
                    f"{trouble.strerror or trouble}",
                    remedy="Set another [page] port, or end what listens there.",
                    code="page_port",
                ) from None
            self.port = runner.addresses[0][1]
            telling = asyncio.create_task(beside())
            telling.add_done_callback(_tell_of_end)
            try:
                yield
            finally:
                telling.cancel()
                await asyncio.gather(telling, return_exceptions=True)
                take_leave()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(2.0 * _LAST_WORDS_S):
                        await self._nobody.wait()
        finally:
            await runner.cleanup()

    @web.middleware
    async def _guarded(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        if not is_called_right(request.headers.get("Host"), self._names):
            return web.Response(
                status=421,
                text="This name is not one of this machine's. Use its address, or add the name to "
                "[page] names in the settings.\n",
            )
        try:
            response = await handler(request)
        except web.HTTPException as refused:
            response = web.Response(status=refused.status, text=f"{refused.reason}\n")
        if not response.prepared:
            for name, value in self._headers(request.headers["Host"]).items():
                response.headers.setdefault(name, value)
        return response

    def _headers(self, host: str) -> dict[str, str]:
        index = self._assets[self._index_name].body
        return {
            "Content-Security-Policy": content_security_policy(index, host),
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Permissions-Policy": "camera=(), microphone=(), geolocation=(), "
            "accelerometer=(self), gyroscope=(self), magnetometer=(self), screen-wake-lock=(self)",
            "Cache-Control": "no-cache",
        }

    async def _index(self, request: web.Request) -> web.StreamResponse:
        return _answer(request, self._assets[self._index_name])

    async def _file(self, request: web.Request) -> web.StreamResponse:
        asset = self._assets.get(request.match_info["name"])
        if asset is None:
            raise web.HTTPNotFound
        return _answer(request, asset)

    async def _live(self, request: web.Request) -> web.StreamResponse:
        if not is_same_origin(request.headers.get("Origin"), request.headers.get("Host")):
            log.warning("A page of another origin was refused at %s", request.remote)
            raise web.HTTPForbidden
        if self._open >= MOST_PAGES or self._strangers >= _MOST_STRANGERS:
            raise web.HTTPServiceUnavailable
        socket = web.WebSocketResponse(
            max_msg_size=LARGEST_MESSAGE_BYTES,
            heartbeat=_HEARTBEAT_S,
            timeout=_LAST_WORDS_S,
            compress=False,
        )
        await socket.prepare(request)
        address = request.remote or ""
        self._open += 1
        self._nobody.clear()
        self._strangers += 1
        try:
            try:
                role = await greeted(socket, address, self.tokens, self._wrong)
            finally:
                self._strangers -= 1
            if role is not None:
                await self._talk(socket, address, role)
        finally:
            self._open -= 1
            if self._open == 0:
                self._nobody.set()
        return socket


def _answer(request: web.Request, asset: Asset) -> web.Response:
    etag = f'"{asset.etag}"'
    if request.headers.get("If-None-Match") == etag:
        return web.Response(status=304, headers={"ETag": etag})
    return web.Response(
        body=asset.body,
        content_type=asset.content_type,
        charset="utf-8",
        headers={"ETag": etag},
    )


def _tls_context(page: PageSettings) -> ssl.SSLContext | None:
    if page.tls_certificate_file is None or page.tls_key_file is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(page.tls_certificate_file, page.tls_key_file, password=_no_password)
    except (OSError, ssl.SSLError) as trouble:
        reason: Any = trouble.strerror or trouble
        raise UsageError(
            f"[page] the certificate {page.tls_certificate_file} and its key cannot be used: "
            f"{reason}",
            remedy="Give a certificate and its key without password, both PEM.",
            code="page_certificate",
        ) from None
    return context


def _no_password() -> str:
    """Refuse a key with a password at once: nobody is there to type it."""
    return ""


def _tell_of_end(task: asyncio.Task[None]) -> None:
    """Log why what goes on beside a page ended, unless it was told to."""
    if not task.cancelled() and (failure := task.exception()) is not None:
        log.error("Bug beside the page: it shows nothing new any more", exc_info=failure)
