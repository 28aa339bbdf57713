"""What waits for one browser: the newest of each topic, and answers in order."""

import asyncio
from collections import OrderedDict, deque

# Answers and events must all arrive; a browser that takes none of so many is gone.
MOST_QUEUED = 256

_ALL_MUST_ARRIVE = ("reply/", "event", "link/")


class OutboxFullError(Exception):
    """The browser does not read any more."""


class Outbox:
    """Keeps the memory of one slow browser bounded, and its figures new."""

    def __init__(self) -> None:
        self._newest: OrderedDict[str, str | bytes] = OrderedDict()
        self._queue: deque[str | bytes] = deque()
        self._something = asyncio.Event()

    def put(self, topic: str, message: str | bytes) -> None:
        """Queue a message; an older one of the same topic is not worth sending any more.

        Raises
        ------
        OutboxFullError
            Too many answers wait.
        """
        if topic.startswith(_ALL_MUST_ARRIVE):
            if len(self._queue) >= MOST_QUEUED:
                raise OutboxFullError
            self._queue.append(message)
        else:
            self._newest[topic] = message
        self._something.set()

    async def take(self) -> str | bytes:
        """Return the next message; wait for one."""
        while True:
            self._something.clear()
            if self._queue:
                return self._queue.popleft()
            if self._newest:
                return self._newest.popitem(last=False)[1]
            await self._something.wait()


class Allowance:
    """How many messages a browser may send: a steady rate, and some at once.

    Parameters
    ----------
    per_s : float
        Messages a second in the long run.
    at_once : float
        As many may come in a moment.
    """

    def __init__(self, *, per_s: float, at_once: float) -> None:
        self._per_s = per_s
        self._at_once = at_once
        self._left = at_once
        self._at_s: float | None = None

    def takes(self, now_s: float) -> bool:
        """Return whether one more message is all right at this instant (monotonic s)."""
        if self._at_s is not None:
            self._left = min(self._at_once, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True
