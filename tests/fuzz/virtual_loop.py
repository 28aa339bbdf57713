"""An event loop whose clock jumps: waits cost nothing, and every bound is reached at once."""

import asyncio
import selectors
from functools import cache
from typing import Any


class _Leaping(selectors.DefaultSelector):
    """Looks once, and lets the wait pass on the clock instead."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 1000.0

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None or timeout <= 0.0:
            return super().select(timeout)
        ready = super().select(0)
        if not ready:
            self.now_s += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """Sleeps end at once; what waits for a thread waits for real, where no timer is set."""

    def __init__(self) -> None:
        self._leaping = _Leaping()
        super().__init__(self._leaping)

    def time(self) -> float:
        return self._leaping.now_s


@cache
def runner() -> asyncio.Runner:
    """Return what runs one coroutine after another on such a loop; one for the process."""
    return asyncio.Runner(loop_factory=VirtualLoop)
