"""Patience: bounds on a wait that bytes which arrive meanwhile put off, and that are learned."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

# What has arrived buys time for the rest, on links that are at least this fast: 1.2 million
# pixels of 16 bits may take five minutes.
SLOWEST_BYTES_S = 10_000.0
# The bound is looked at this long before it is reached (s).
_AHEAD_S = 0.02
# What was always prompt is lost when it is late by this many times its longest, and by this much:
# a computer under load sometimes takes seconds (s).
_TIMES_AS_LATE = 4.0
_LATE_S = 5.0


class Promptness:
    """How late a frame may be, learned from those that came.

    A frame that a driver lost never comes, and whoever turns the bolts waits for it in vain.
    """

    def __init__(self) -> None:
        self._longest_s: float | None = None

    def came(self, late_s: float) -> None:
        """Take note of how long after its exposure's end a frame had arrived (s)."""
        self._longest_s = max(self._longest_s or 0.0, late_s)

    def bound_s(self, at_most_s: float) -> float:
        """Return how late the next one may be (s); ``at_most_s`` where none has come yet."""
        if self._longest_s is None:
            return at_most_s
        return min(at_most_s, max(_LATE_S, _TIMES_AS_LATE * self._longest_s))


@asynccontextmanager
async def timeout_put_off(
    deadline_s: float, arrived_bytes: Callable[[], int]
) -> AsyncIterator[asyncio.Timeout]:
    """Bound a block like ``asyncio.timeout_at``; each byte that arrives puts the end off.

    A link that stands still is given up at the deadline; one that is merely slow is not.

    Parameters
    ----------
    deadline_s : float
        Loop time of the end where nothing arrives (s).
    arrived_bytes : callable
        Counts the bytes that have arrived, from whenever.

    Yields
    ------
    asyncio.Timeout
        Where the block itself reschedules it, that holds.
    """
    loop = asyncio.get_running_loop()
    already = arrived_bytes()
    async with asyncio.timeout_at(deadline_s) as bound:
        ours_s = deadline_s
        timer: asyncio.TimerHandle | None = None

        def look() -> None:
            nonlocal ours_s, timer
            later_s = deadline_s + (arrived_bytes() - already) / SLOWEST_BYTES_S
            if bound.when() == ours_s and later_s > loop.time() + 2 * _AHEAD_S:
                ours_s = later_s
                bound.reschedule(ours_s)
                timer = loop.call_at(ours_s - _AHEAD_S, look)

        timer = loop.call_at(ours_s - _AHEAD_S, look)
        try:
            yield bound
        finally:
            if timer is not None:
                timer.cancel()
