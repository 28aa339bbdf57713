"""What Ctrl-C does while something moves: it stops the mount, at once, before the command ends."""

import asyncio
import signal
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

STOPPING = "Ctrl-C: stopping the mount"
STOPPED = "stopped: nothing moves any more by polewright's doing"
NOT_AWAITED = (
    "Ctrl-C again: the answer to the stop was not awaited, so something may still move. "
    "Use the mount's own stop or its power switch, if it does."
)


async def stopped_by_ctrl_c(
    work: Coroutine[Any, Any, T], stop: Callable[[], Awaitable[object]], note: Callable[[str], None]
) -> T | None:
    """Await the work and return its result; None where Ctrl-C came first and the stop was taken.

    The stop is sent while the work still listens: leaving a connection in order can take seconds,
    in which a mount would go on.  A second Ctrl-C ends everything (``KeyboardInterrupt``).

    Raises
    ------
    PolewrightError
        What the work raises; or, after Ctrl-C, why the stop was not taken.
    """
    loop = asyncio.get_running_loop()
    asked = asyncio.Event()
    loop.add_signal_handler(signal.SIGINT, asked.set)
    working = asyncio.ensure_future(work)
    asking = asyncio.ensure_future(asked.wait())
    try:
        await asyncio.wait({working, asking}, return_when=asyncio.FIRST_COMPLETED)
        if working.done():
            return working.result()
        loop.remove_signal_handler(signal.SIGINT)
        note(STOPPING)
        await stop()
        return None
    finally:
        loop.remove_signal_handler(signal.SIGINT)
        working.cancel()
        asking.cancel()
        await asyncio.gather(working, asking, return_exceptions=True)
