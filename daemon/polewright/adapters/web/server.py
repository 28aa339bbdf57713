"""The page's server: a few files, and one WebSocket for everything that moves."""

import asyncio
import contextlib
import logging
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

from aiohttp import web

from polewright import __version__
from polewright.adapters.web.access import (
    Role,
    Tokens,
    WrongTokens,
    is_called_right,
    is_loopback,
    is_same_origin,
    own_names,
    tokens_from,
)
from polewright.adapters.web.assets import INDEX, Asset, content_security_policy, read_assets
from polewright.adapters.web.conversation import (
    LARGEST_MESSAGE_BYTES,
    CommandSink,
    Conversation,
    Welcome,
)
from polewright.adapters.web.feed import Feed, FrameSource
from polewright.adapters.web.links import page_link
from polewright.adapters.web.phone import Phone
from polewright.core.axis.device_orientation import PHONE_PACE, Pace
from polewright.core.errors import LinkError, UsageError
from polewright.settings.displays import PageSettings
from polewright.settings.model import Settings

log = logging.getLogger(__name__)

LIVE_PATH = "/live"

# Pages of one evening; more are a mistake, or somebody who means harm.
MOST_PAGES = 32
# Of these, pages that have not said yet who they are.
_MOST_STRANGERS = 12
# Silence of a browser that is still there (s): it is asked, and gone when it does not answer.
_HEARTBEAT_S = 15.0
# Leave-taking must not hold up the end of the service (s).
_LAST_WORDS_S = 1.0

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Page:
    """The page of one service.

    Parameters
    ----------
    settings : Settings
        Where to listen, whom to let in.
    commands : callable
        Takes the commands that pages send.
    frame_source : callable
        Returns the camera's last frame.
    phone_pace : Pace
        How good a phone's sensors are.

    Raises
    ------
    UsageError
        ``token_file``, ``page_certificate``.
    """

    def __init__(
        self,
        settings: Settings,
        commands: CommandSink,
        frame_source: FrameSource,
        phone_pace: Pace = PHONE_PACE,
    ) -> None:
        self._settings = settings.page
        self._commands = commands
        self.feed = Feed(frame_source)
        self.phone = Phone(pace=phone_pace)
        self.port = settings.page.port
        self._tokens = page_tokens(settings)
        self._names = own_names(settings.page.names)
        self._wrong = WrongTokens()
        self._assets = read_assets()
        self._welcome = Welcome(
            mount=settings.mount.slug, site=settings.site.name, version=__version__
        )
        self._strangers = 0
        self._open = 0
        self._nobody = asyncio.Event()
        self._nobody.set()
        self._tls = _tls_context(settings.page)

    @property
    def address(self) -> str:
        """Where the page is, without a token."""
        return page_link(self._settings, self.port, None) or ""

    def link(self, role: Role) -> str | None:
        """Return the link for a role, with its token; None where the role is not let in."""
        return page_link(self._settings, self.port, self._tokens, role)

    @property
    def asks_for_tokens(self) -> bool:
        """Whether browsers have to say who they are."""
        return self._tokens is not None

    @asynccontextmanager
    async def serving(self) -> AsyncIterator[None]:
        """Serve while the context is open.

        Raises
        ------
        LinkError
            ``page_port``: the address cannot be listened at.
        """
        application = web.Application(middlewares=[self._guarded])
        application.router.add_get("/", self._index)
        application.router.add_get(LIVE_PATH, self._live)
        application.router.add_get("/{name}", self._file)
        runner = web.AppRunner(application, access_log=None, shutdown_timeout=_LAST_WORDS_S)
        await runner.setup()
        try:
            where = self._settings
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
            pictures = asyncio.create_task(self.feed.send_pictures())
            try:
                yield
            finally:
                pictures.cancel()
                await asyncio.gather(pictures, return_exceptions=True)
                await self._take_leave()
        finally:
            await runner.cleanup()

    async def _take_leave(self) -> None:
        """Let every conversation end in order, for as long as that takes at most."""
        for viewer in self.feed.viewers:
            viewer.lost.set()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(2.0 * _LAST_WORDS_S):
                await self._nobody.wait()

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
            response.headers.update(self._headers(request.headers["Host"]))
        return response

    def _headers(self, host: str) -> dict[str, str]:
        return {
            "Content-Security-Policy": content_security_policy(self._assets[INDEX].body, host),
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
        return _answer(request, self._assets[INDEX])

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
        self._open += 1
        self._nobody.clear()
        self._strangers += 1
        try:
            conversation = Conversation(
                socket,
                request.remote or "",
                feed=self.feed,
                commands=self._commands,
                tokens=self._tokens,
                wrong=self._wrong,
                welcome=self._welcome,
                phone=self.phone,
            )
            try:
                role = await conversation.greet()
            finally:
                self._strangers -= 1
            if role is not None:
                await conversation.run(role)
        finally:
            self._open -= 1
            if self._open == 0:
                self._nobody.set()
        return socket


def page_tokens(settings: Settings) -> Tokens | None:
    """Return the tokens that the page asks for; None where it is this machine's alone.

    Raises
    ------
    UsageError
        ``token_file``: the file cannot be used.
    """
    page = settings.page
    if is_loopback(page.host) and page.token_file is None:
        return None
    return tokens_from(page.tokens_at(settings.mount.slug), onlookers=page.onlookers)


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
