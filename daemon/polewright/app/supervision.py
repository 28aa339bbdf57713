"""Supervision: signs of life to the service manager, only while the service is really alive."""

import asyncio
import logging
import time
from collections.abc import Callable, Sequence

from polewright.adapters.systemd.notifying import ServiceManager
from polewright.session.evening import Evening

log = logging.getLogger(__name__)

# Looked at so often (s), oftener where the watchdog is shorter than three looks.
_LOOK_EVERY_S = 1.0
# As systemd.service(5) advises: twice within the watchdog's time at least.
_SIGNS_PER_WATCHDOG = 3.0
# The service is ready without its broker after this (s): page, stop and measuring need none.
BROKER_WAIT_S = 15.0


class Supervision:
    """Tells the service manager when the service answers, how it is, and that it lives.

    The signs of life come from the event loop: a loop that hangs gives none.  They also end when
    one of the tasks that should run for ever has ended: the manager then starts the service anew.

    Parameters
    ----------
    manager : ServiceManager
        Who is told.
    answers : callable
        Whether commands can come in.
    words : callable
        How things stand, in words.
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(
        self,
        manager: ServiceManager,
        answers: Callable[[], bool],
        words: Callable[[], str],
        *,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._manager = manager
        self._answers = answers
        self._words = words
        self._monotonic = monotonic

    async def run(self, tasks: Sequence[asyncio.Task[None]]) -> None:
        """Tell until cancelled; ``tasks`` are those that should never end."""
        watchdog_s = self._manager.watchdog_s
        sign_s = watchdog_s / _SIGNS_PER_WATCHDOG if watchdog_s else None
        look_s = min(_LOOK_EVERY_S, sign_s) if sign_s else _LOOK_EVERY_S
        began_s = self._monotonic()
        ready = False
        told, signed_s = "", -float("inf")
        while True:
            now_s = self._monotonic()
            if not ready and (self._answers() or now_s - began_s >= BROKER_WAIT_S):
                ready = True
                self._manager.ready()
            words = self._words()
            if ended := _ended(tasks):
                words = f"a part of the service has ended: {ended}; it will be started anew"
            if words != told:
                if ended:
                    log.error("Bug: %s", words)
                self._manager.status(words)
                told = words
            # A hair early rather than a whole look late.
            if sign_s and not ended and now_s - signed_s >= sign_s - 0.01:
                self._manager.alive()
                signed_s = now_s
            await asyncio.sleep(look_s)


def state_words(evening: Evening, *, broker_away: bool) -> str:
    """Return how things stand, in one line."""
    state = evening.state
    words = str(state.get("state", ""))
    if step := state.get("step"):
        words += f": {step}"
    if reason := state.get("reason"):
        words += f": {reason}"
    elif evening.link_trouble is not None:
        words += f": {evening.link_trouble.text}"
    return f"{words} (no broker)" if broker_away else words


def _ended(tasks: Sequence[asyncio.Task[None]]) -> str:
    return ", ".join(task.get_name() for task in tasks if task.done())
