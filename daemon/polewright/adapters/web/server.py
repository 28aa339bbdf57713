"""The page of one service: a few files, and one WebSocket for everything that moves."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from aiohttp import web

from polewright import __version__
from polewright.adapters.web.access import Role, Tokens, is_loopback, tokens_from
from polewright.adapters.web.assets import INDEX
from polewright.adapters.web.conversation import CommandSink, Conversation, Welcome
from polewright.adapters.web.feed import Feed, FrameSource
from polewright.adapters.web.hosting import Hosting
from polewright.adapters.web.past import REPORT_PATH, Archive, PastDoor
from polewright.adapters.web.phone import Phone
from polewright.core.axis.device_orientation import PHONE_PACE, Pace
from polewright.settings.model import Settings


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
    archive : Archive, optional
        What is kept of earlier evenings.

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
        archive: Archive | None = None,
    ) -> None:
        self._commands = commands
        self.feed = Feed(frame_source)
        self.phone = Phone(pace=phone_pace)
        self._past = None if archive is None else PastDoor(archive)
        self._hosting = Hosting(
            settings.page,
            index=INDEX,
            tokens=page_tokens(settings),
            talk=self._talk,
            further={} if self._past is None else {REPORT_PATH: self._past.report},
        )
        self._welcome = Welcome(
            mount=settings.mount.slug, site=settings.site.name, version=__version__
        )

    @property
    def address(self) -> str:
        """Where the page is, without a token."""
        return self._hosting.address

    @property
    def port(self) -> int:
        """Where it listens."""
        return self._hosting.port

    def link(self, role: Role) -> str | None:
        """Return the link for a role, with its token; None where the role is not let in."""
        return self._hosting.link(role)

    @property
    def asks_for_tokens(self) -> bool:
        """Whether browsers have to say who they are."""
        return self._hosting.tokens is not None

    @asynccontextmanager
    async def serving(self) -> AsyncIterator[None]:
        """Serve while the context is open.

        Raises
        ------
        LinkError
            ``page_port``: the address cannot be listened at.
        """
        async with self._hosting.serving(self._take_leave, self.feed.send_pictures):
            yield

    def _take_leave(self) -> None:
        for viewer in self.feed.viewers:
            viewer.lost.set()

    async def _talk(self, socket: web.WebSocketResponse, address: str, role: Role) -> None:
        conversation = Conversation(
            socket,
            address,
            feed=self.feed,
            commands=self._commands,
            welcome=self._welcome,
            phone=self.phone,
            past=self._past,
        )
        await conversation.run(role)


def page_tokens(settings: Settings) -> Tokens | None:
    """Return the tokens that the page asks for; None where it is this machine's alone.

    Raises
    ------
    UsageError
        ``token_file``: the file cannot be used.
    """
    return tokens_for(settings, settings.mount.slug)


def tokens_for(settings: Settings, name: str) -> Tokens | None:
    """Return the tokens of a page by the name that its file has.

    Raises
    ------
    UsageError
        ``token_file``: the file cannot be used.
    """
    page = settings.page
    if is_loopback(page.host) and page.token_file is None:
        return None
    return tokens_from(page.tokens_at(name), onlookers=page.onlookers)
