"""How long to wait before the next attempt to reach the broker."""

import random
from collections.abc import Callable

FIRST_WAIT_S = 0.25
LONGEST_WAIT_S = 15.0

# A connection that lasted less long than this did not work: two clients that throw each other
# out would otherwise do so several times a second.
STABLE_AFTER_S = 30.0


class Backoff:
    """Doubling waits with jitter, short again only after a stable connection.

    Parameters
    ----------
    uniform : callable
        Random number between its two arguments.
    """

    def __init__(self, uniform: Callable[[float, float], float] = random.uniform) -> None:
        self._uniform = uniform
        self._next_s = FIRST_WAIT_S

    def next_wait_s(self, lasted_s: float) -> float:
        """Return the wait after a connection that lasted ``lasted_s`` (s; 0: none came about)."""
        if lasted_s >= STABLE_AFTER_S:
            self._next_s = FIRST_WAIT_S
        wait_s = self._next_s
        self._next_s = min(2.0 * self._next_s, LONGEST_WAIT_S)
        return wait_s * self._uniform(0.75, 1.25)
