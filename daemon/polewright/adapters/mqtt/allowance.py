"""How much is answered: a flood of rubbish, or of commands, must not take the loop's time."""

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

log = logging.getLogger(__name__)

Kind = Literal["refusal", "ping", "stop", "command"]

# A person with a faulty script sees every answer; a flood sees the first few.  `stop` may come as
# often as hands can send it from several displays; what comes faster is obeyed together.
_PER_S = 20.0
_AT_ONCE = 60.0

# One line for a flood that goes on, with how many it was.
TELL_EVERY_S = 10.0


@dataclass(slots=True)
class _Bucket:
    left: float
    filled_s: float


class Allowance:
    """Counts what may be answered of each kind, and what was dropped without an answer.

    Parameters
    ----------
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._buckets: dict[Kind, _Bucket] = {}
        self._untold = 0
        self._told_s = -TELL_EVERY_S
        self.dropped = 0

    def spend(self, kind: Kind, verb: str) -> bool:
        """Return whether one more is answered now; where not, it is counted and told at times."""
        now_s = self._monotonic()
        bucket = self._buckets.setdefault(kind, _Bucket(_AT_ONCE, now_s))
        bucket.left = min(_AT_ONCE, bucket.left + _PER_S * (now_s - bucket.filled_s))
        bucket.filled_s = now_s
        if bucket.left >= 1.0:
            bucket.left -= 1.0
            return True
        self.dropped += 1
        self._untold += 1
        if now_s - self._told_s >= TELL_EVERY_S:
            log.warning(
                "Commands come too fast: %d dropped without an answer (a stop is obeyed all "
                "the same), the last one %.40r. Find the client that sends them.",
                self._untold,
                verb,
            )
            self._untold, self._told_s = 0, now_s
        return False
