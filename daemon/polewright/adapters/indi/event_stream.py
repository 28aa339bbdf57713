"""Event stream: what one subscription was sent and has not read yet, bounded."""

import asyncio
import logging
from collections import deque
from collections.abc import Callable

from polewright.adapters.indi.snapshot import (
    BlobSnapshot,
    ConnectionEnded,
    DeviceAppeared,
    DeviceRemoved,
    Event,
    PropertyRemoved,
)

_LOG = logging.getLogger(__name__)

# A mount that tells its position ten times a second is over three minutes ahead of its reader.
MOST_WAITING = 2000
# Tens of megabytes each: nobody wants any but the latest.
MOST_FRAMES_WAITING = 4

# Nothing later says what these say: whoever reads at last must find them.
_MATTERS = (DeviceAppeared, PropertyRemoved, DeviceRemoved, ConnectionEnded)


class EventStream:
    """Events of one subscription, in order, for one reader; ends when the connection is lost.

    A reader that falls far behind loses the oldest values and lines of text, which later ones
    replace; of what comes, goes or ends it loses nothing before all of those.

    Parameters
    ----------
    ensure_alive : callable
        Raises LinkError where the connection is lost.

    Attributes
    ----------
    dropped : int
        How many events were dropped unread.
    """

    def __init__(self, ensure_alive: Callable[[], None]) -> None:
        self.dropped = 0
        self._ensure_alive = ensure_alive
        self._waiting: deque[Event] = deque()
        self._frames = 0
        self._arrived = asyncio.Event()

    def __len__(self) -> int:
        """Return how many events wait."""
        return len(self._waiting)

    def put(self, event: Event) -> None:
        """Take one event."""
        self._waiting.append(event)
        self._frames += isinstance(event, BlobSnapshot)
        if self._frames > MOST_FRAMES_WAITING:
            self._drop(lambda one: isinstance(one, BlobSnapshot))
        elif len(self._waiting) > MOST_WAITING:
            self._drop(lambda one: not isinstance(one, _MATTERS))
        self._arrived.set()

    def __aiter__(self) -> "EventStream":
        """Iterate over the events to come."""
        return self

    async def __anext__(self) -> Event:
        """Return the next event.

        Raises
        ------
        LinkError
            When the connection is lost.
        """
        while not self._waiting:
            self._ensure_alive()
            self._arrived.clear()
            await self._arrived.wait()
        event = self._waiting.popleft()
        self._frames -= isinstance(event, BlobSnapshot)
        if isinstance(event, ConnectionEnded):
            self._ensure_alive()
        return event

    def _drop(self, droppable: Callable[[Event], bool]) -> None:
        """Drop the oldest event that may go, else the oldest of all."""
        place = next((n for n, one in enumerate(self._waiting) if droppable(one)), 0)
        self._frames -= isinstance(self._waiting[place], BlobSnapshot)
        del self._waiting[place]
        self.dropped += 1
        if self.dropped == 1:
            _LOG.warning(
                "events of the INDI server are not read: the oldest are dropped, %d wait",
                len(self._waiting),
            )
