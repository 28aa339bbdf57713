"""Reconnect: opens a rig again and again, with growing pauses."""

import logging
from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from typing import TypeVar

from polewright.adapters.cancelling import heed_cancellation
from polewright.core.errors import LinkError
from polewright.ports import Clock

_LOG = logging.getLogger(__name__)
_T = TypeVar("_T")

# A driver or server that restarts is back within a second or so (s).
FIRST_PAUSE_S = 0.5
# A repaired link is in use again within 10 s: this pause, 5 s for an attempt that began before the
# repair, and the time that devices need to answer (s).
LONGEST_PAUSE_S = 3.0
GROWTH = 2.0
# A connection that lived this long was good: the next failure starts with a short pause (s).
STABLE_S = 30.0


class Reconnector:
    """Keeps work going over connections that come and go.

    Parameters
    ----------
    clock : Clock
        Tells the time and sleeps.
    on_lost : callable or None
        Told of each failure (LinkError) and the pause before the next attempt (s).
    """

    def __init__(
        self, clock: Clock, *, on_lost: Callable[[LinkError, float], None] | None = None
    ) -> None:
        self._clock = clock
        self._on_lost = on_lost

    async def run(
        self,
        open_link: Callable[[], AbstractAsyncContextManager[_T]],
        work: Callable[[_T], Awaitable[None]],
    ) -> None:
        """Open a link and work with it; after a LinkError, pause and open a new one.

        Returns when ``work`` returns.  Any other exception ends it, too.

        Parameters
        ----------
        open_link : callable
            Makes a new context manager for each attempt: connections are never reused.
        work : callable
            Takes what it yields.
        """
        pause_s = FIRST_PAUSE_S
        failures = 0
        while True:
            opened_s: float | None = None
            try:
                async with open_link() as link:
                    opened_s = self._clock.monotonic()
                    failures = 0
                    await work(link)
                    return
            except LinkError as error:
                heed_cancellation()
                if opened_s is not None and self._clock.monotonic() - opened_s > STABLE_S:
                    pause_s = FIRST_PAUSE_S
                failures += 1
                level = logging.WARNING if failures == 1 else logging.DEBUG
                _LOG.log(level, "%s (trying again in %.1f s)", error, pause_s)
                if self._on_lost is not None:
                    self._on_lost(error, pause_s)
            await self._clock.sleep(pause_s)
            pause_s = min(LONGEST_PAUSE_S, pause_s * GROWTH)
