"""Fleet: what the topics of many mounts say, one row each, the worst first."""

import math
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from polewright.session.mount_standing import (
    STANDING_WORDS,
    MountRow,
    MountTold,
    Standing,
    Told,
    instant_of,
    row_of,
)

TOPICS = (
    "availability", "state", "survey", "correction", "watch", "schedule", "health", "event",
)  # fmt: skip
"""What is listened to, below each mount's root."""

_MAY_MOVE_CODES = frozenset({"not_stopped", "lost_in_motion", "tracking_not_stopped"})
# More are a mistake, or somebody who fills the broker with names.
MOST_MOUNTS = 5000
_RANK = {standing: rank for rank, standing in enumerate(Standing)}


class FleetView:
    """Remembers the newest of every topic of every mount; a mount that goes quiet stays.

    What comes in may be anybody's: what is not understood is passed over.

    Parameters
    ----------
    now : callable
        The aware UTC instant: what was retained says by its own instant how old it is.
    monotonic : callable
        Seconds that never jump: how old what comes now is.
    """

    def __init__(
        self,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._now = now
        self._monotonic = monotonic
        self._mounts: dict[str, MountTold] = {}
        self.link = ""

    def take(self, mount: str, topic: str, payload: object, *, retained: bool) -> None:
        """Take one message; ``payload``: a dict, the bare text, or None for a topic cleared."""
        if payload is None:
            self._forget(mount, topic)
            return
        if topic == "event" and not _may_move(payload):
            return
        if mount not in self._mounts and len(self._mounts) >= MOST_MOUNTS:
            return
        one = self._mounts.setdefault(mount, MountTold(since_s=self._monotonic()))
        at_s = self._said_s(payload) if retained else self._monotonic()
        one.told[topic] = Told(payload, at_s)
        # The last will is the broker's word, not the service's.
        if topic != "availability" and at_s is not None:
            one.heard_s = max(at_s, one.heard_s if one.heard_s is not None else -math.inf)

    def lose(self, trouble: str) -> None:
        """Take note that the broker cannot be heard: what is known stays, and ages."""
        self.link = trouble

    def find(self) -> None:
        """Take note that the broker is heard."""
        self.link = ""

    def rows(self) -> list[MountRow]:
        """Return every mount as it stands now, the worst first."""
        now_s = self._monotonic()
        rows = [row_of(name, one, now_s) for name, one in self._mounts.items()]
        return sorted(rows, key=_order)

    def _forget(self, mount: str, topic: str) -> None:
        """A mount whose last topic is cleared was taken out of the fleet by somebody."""
        one = self._mounts.get(mount)
        if one is None:
            return
        one.told.pop(topic, None)
        if not one.told:
            del self._mounts[mount]

    def _said_s(self, payload: object) -> float | None:
        """Return the monotonic time at which a retained message says that it was sent."""
        said = payload.get("at") if isinstance(payload, dict) else None
        at = instant_of(said)
        if at is None:
            return None
        now_s = self._monotonic()
        # The clocks of two computers differ: nothing is from the future.
        return min(now_s - (self._now() - at).total_seconds(), now_s)


def counts(rows: list[MountRow]) -> dict[str, int]:
    """Return how many mounts stand how, the worst first; what does not occur is left out."""
    found = Counter(row.standing for row in rows)
    return {standing.value: found[standing] for standing in Standing if found[standing]}


def fleet_figures(view: FleetView) -> dict[str, Any]:
    """Return how the mounts stand now, for programs; ``trouble``: why the broker is not heard."""
    rows = view.rows()
    return {
        "counts": counts(rows),
        "words": counts_words(rows),
        "mounts": [row.figures() for row in rows],
        "trouble": view.link or None,
    }


def counts_words(rows: list[MountRow]) -> str:
    """Return the same as a line."""
    parts = [
        f"{count} {STANDING_WORDS[Standing(standing)]}" for standing, count in counts(rows).items()
    ]
    return f"{len(rows)} mount{'' if len(rows) == 1 else 's'}: {', '.join(parts)}" if rows else ""


def _order(row: MountRow) -> tuple[int, float, str]:
    error, allowed = row.total_error_arcmin, row.tolerance_arcmin
    ratio = 0.0 if error is None else error / (allowed or 1.0)
    return _RANK[row.standing], -ratio, row.mount


def _may_move(payload: object) -> bool:
    code = payload.get("code") if isinstance(payload, dict) else None
    return isinstance(code, str) and code in _MAY_MOVE_CODES
