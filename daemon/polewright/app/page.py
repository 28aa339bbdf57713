"""The page in the service: what is published is shown, and commands come in by the same desk."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from polewright.adapters.mqtt.command_desk import CommandDesk, Incoming
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.web.server import Page
from polewright.app.past import Past
from polewright.core.axis.device_orientation import PHONE_PACE, Pace
from polewright.core.errors import LinkError, PolewrightError, UsageError
from polewright.core.imaging.frame import Frame
from polewright.settings.model import Settings

_log = logging.getLogger(__name__)


class PageCommands:
    """Hands the page's commands to the desk that also takes those from the broker.

    Parameters
    ----------
    desk : CommandDesk
        Checks, answers, and remembers what was done.
    """

    def __init__(self, desk: CommandDesk) -> None:
        self._desk = desk
        self._tasks: asyncio.TaskGroup | None = None

    def take(self, verb: str, payload: bytes) -> None:
        """Take one command; its answers are published."""
        if self._tasks is None:
            _log.warning("The command %r came while the service starts or ends", verb)
            return
        self._desk.receive(Incoming(verb=verb, payload=payload, retained=False), self._tasks)

    async def run(self) -> None:
        """Obey commands until cancelled."""
        async with asyncio.TaskGroup() as self._tasks:
            try:
                await asyncio.get_running_loop().create_future()
            finally:
                self._tasks = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PageOutcome:
    """The page that is served, or why there is none; both None where none is wanted."""

    page: Page | None = None
    trouble: PolewrightError | None = None

    def health(self, *, motors: bool) -> dict[str, Any]:
        """Return what the health message says of it; ``motors``: they may turn the bolts."""
        return {
            "served": self.page is not None,
            "problem": None if self.trouble is None else str(self.trouble)[:1000],
            "offers_motors": motors,
        }


@asynccontextmanager
async def served_page(
    settings: Settings,
    publisher: MqttPublisher,
    commands: Callable[[str, bytes], None],
    last_frame: Callable[[], Frame | None],
    phone_pace: Pace = PHONE_PACE,
) -> AsyncIterator[PageOutcome]:
    """Serve the page while the context is open, if it can be; its trouble ends nothing else."""
    if settings.page.mode == "off":
        yield PageOutcome()
        return
    async with contextlib.AsyncExitStack() as stack:
        try:
            slug = settings.mount.slug
            past = Past(settings.journal.file(slug), slug)
            page = Page(settings, commands, last_frame, phone_pace, past)
            await stack.enter_async_context(page.serving())
        except (LinkError, UsageError) as trouble:
            # A display that is missing is no reason not to measure.
            _log.warning("%s", trouble)
            yield PageOutcome(trouble=trouble)
            return
        publisher.tell_also(page.feed.hear)
        # Without the token: a log is read by more people than a link is meant for.
        _log.info("The page is at %s", page.address)
        yield PageOutcome(page=page)
