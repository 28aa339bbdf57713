"""The feed: what every open page is told, and which answers belong to whom."""

import asyncio
import json
import logging
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from polewright.adapters.web.access import Role
from polewright.adapters.web.history import EveningHistory
from polewright.adapters.web.outbox import Outbox, OutboxFullError
from polewright.adapters.web.picture import picture_of
from polewright.core.imaging.frame import Frame

log = logging.getLogger(__name__)

FrameSource = Callable[[], Frame | None]
"""Returns the last frame, where there is one."""

_PASSED_ON = (
    "state",
    "survey",
    "correction",
    "targets",
    "event",
    "site",
    "health",
    "sensor",
    "watch",
    "schedule",
    "pointing",
    "reply/",
)
_MOST_IDENTIFIERS = 64
# A camera view needs no more, and a small computer has better things to do (s).
_PICTURE_PERIOD_S = 0.5
_FRAME_TOPIC = "frame"


class Viewer:
    """One open page.

    Parameters
    ----------
    role : Role
        What it may do.
    """

    def __init__(self, role: Role) -> None:
        self.role = role
        self.outbox = Outbox()
        self.wants_pictures = False
        self.lost = asyncio.Event()
        self._asked: OrderedDict[str, None] = OrderedDict()

    def asks(self, identifier: str) -> None:
        """Remember a command of this page, so that its answers come here."""
        self._asked[identifier] = None
        while len(self._asked) > _MOST_IDENTIFIERS:
            self._asked.popitem(last=False)

    def asked(self, identifier: str) -> bool:
        """Return whether a command was this page's."""
        return identifier in self._asked

    def tell(self, topic: str, message: str | bytes) -> None:
        """Queue a message; a page that does not read any more is given up."""
        try:
            self.outbox.put(topic, message)
        except OutboxFullError:
            self.lost.set()


class Feed:
    """Tells open pages what the service publishes.

    Call :meth:`hear` from the event loop's thread.

    Parameters
    ----------
    frame_source : callable
        Where pictures come from.
    """

    def __init__(self, frame_source: FrameSource) -> None:
        self._frame_source = frame_source
        self._viewers: set[Viewer] = set()
        self._remembered: dict[str, tuple[str, float]] = {}
        self._history = EveningHistory()
        self._asker: Viewer | None = None
        self._look_again = asyncio.Event()
        self._shown: Frame | None = None
        self._next: Frame | None = None

    @property
    def viewers(self) -> frozenset[Viewer]:
        """The pages that are open now."""
        return frozenset(self._viewers)

    def hear(self, topic: str, text: str, retain: bool) -> None:
        """Take one published message, as it stands on the wire; pass it on to every page."""
        if not topic.startswith(_PASSED_ON):
            return
        if topic.startswith("correction/"):
            return  # the bare scalars say nothing new
        if retain:
            self._remembered[topic] = (text, time.monotonic())
        if topic in ("survey", "correction"):
            self._history.take(topic, json.loads(text))
        message = enveloped(topic, text)
        answered = topic.removeprefix("reply/") if topic.startswith("reply/") else None
        for viewer in tuple(self._viewers):
            if answered is None or viewer is self._asker or viewer.asked(answered):
                viewer.tell(topic, message)
        self._take_frame()

    @contextmanager
    def asking(self, viewer: Viewer) -> Iterator[None]:
        """While open, every answer is this page's, also one that can name no command."""
        self._asker = viewer
        try:
            yield
        finally:
            self._asker = None

    @contextmanager
    def open_to(self, viewer: Viewer) -> Iterator[None]:
        """Tell a page everything that goes out while the context is open."""
        self._viewers.add(viewer)
        try:
            yield
        finally:
            self._viewers.discard(viewer)

    def so_far(self) -> dict[str, Any]:
        """Return what a page that opens now has missed: the retained messages, and the curve."""
        now_s = time.monotonic()
        return {
            "messages": {
                topic: {"age_s": round(now_s - at_s, 3), "payload": json.loads(text)}
                for topic, (text, at_s) in self._remembered.items()
            },
            "history": self._history.as_list(),
        }

    def wish_pictures(self, viewer: Viewer, *, wanted: bool) -> None:
        """Begin or end sending a page the camera's frames."""
        viewer.wants_pictures = wanted
        if wanted:
            self._shown = None
            self._take_frame()

    async def send_pictures(self) -> None:
        """Send new frames to the pages that want them, until cancelled."""
        while True:
            await self._look_again.wait()
            self._look_again.clear()
            frame, self._next = self._next, None
            if frame is None:
                continue
            try:
                picture = await asyncio.to_thread(_pictured, frame)
            except Exception:
                log.exception("Bug: a frame cannot be shown as a picture")
                continue
            finally:
                del frame
            for viewer in self._viewers:
                if viewer.wants_pictures:
                    viewer.tell(_FRAME_TOPIC, picture)
            await asyncio.sleep(_PICTURE_PERIOD_S)

    def _take_frame(self) -> None:
        """Take hold of the last frame at once: the camera forgets it for the next exposure."""
        if not any(viewer.wants_pictures for viewer in self._viewers):
            return
        frame = self._frame_source()
        if frame is not None and frame is not self._shown:
            self._shown = self._next = frame
            self._look_again.set()


def enveloped(topic: str, text: str) -> str:
    """Return a published JSON text with its topic and the instant of sending (ms since 1970)."""
    return f'{{"topic":{json.dumps(topic)},"ms":{time.time() * 1000.0:.1f},"payload":{text}}}'


def _pictured(frame: Frame) -> bytes:
    """Return a picture with a line of JSON in front that says what it shows."""
    taken = frame.mid_exposure.isoformat() if frame.mid_exposure else None
    head = {
        "width_px": frame.width_px,
        "height_px": frame.height_px,
        "taken": taken,
        "exposure_s": frame.exposure_s,
        "camera": frame.camera,
    }
    return json.dumps(head).encode() + b"\n" + picture_of(frame)
