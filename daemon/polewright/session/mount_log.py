"""Mount log: what the mount said of itself lately: late frames ask whether it was sent."""

import asyncio
import itertools
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from polewright.core.errors import PolewrightError
from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.ports import Clock, MountStatus
from polewright.session.safety import GuardedMount

# Often enough that a sync and the go-to after it do not pass unseen (s).
_EVERY_S = 2.0
_KEPT = 3600
# Without a word for so long nobody can vouch for the mount (s).
_GAP_S = 20.0
# What a mount that tracks shows stays within this (deg); right ascension may follow the worm.
_STILL_DECLINATION_DEG = 10.0 / 3600.0
_STILL_RIGHT_ASCENSION_DEG = 60.0 / 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Said:
    instant: datetime
    status: MountStatus


class MountLog:
    """Asks whichever mount is connected how it stands, again and again."""

    def __init__(self, mount: Callable[[], GuardedMount | None], clock: Clock) -> None:
        self._mount = mount
        self._clock = clock
        self._said: deque[_Said] = deque(maxlen=_KEPT)

    @property
    def answers(self) -> bool:
        """Whether it says something now."""
        if not self._said:
            return False
        return (self._clock.now() - self._said[-1].instant).total_seconds() <= _GAP_S

    async def keep(self) -> None:
        """Ask for ever; a mount that does not answer is a gap."""
        while True:
            await self.ask()
            await self._clock.sleep(_EVERY_S)

    async def ask(self) -> None:
        """Ask once."""
        mount = self._mount()
        if mount is None:
            return
        try:
            async with asyncio.timeout(_GAP_S):
                status = await mount.status()
        except (PolewrightError, TimeoutError):
            return
        if status.right_ascension_deg is None or status.declination_deg is None:
            return
        self._said.append(_Said(instant=self._clock.now(), status=status))

    def left_alone(self, since: datetime, until: datetime) -> bool | None:
        """Return whether nobody sent it between two instants; None where nobody can say."""
        margin = timedelta(seconds=_EVERY_S)
        said = [one for one in self._said if since - margin <= one.instant <= until + margin]
        if not said:
            return None
        edges = [since, *(one.instant for one in said), until]
        gaps = [(b - a).total_seconds() for a, b in itertools.pairwise(edges)]
        if any(one.status.slewing for one in said):
            return False
        first = said[0].status
        for one in said[1:]:
            if one.status.pier_side is not first.pier_side or _apart(first, one.status):
                return False
        return True if max(gaps) <= _GAP_S else None

    def at(self, instant: datetime) -> MountStatus | None:
        """Return what it said about then."""
        near = min(self._said, key=lambda one: abs(one.instant - instant), default=None)
        if near is None or abs((near.instant - instant).total_seconds()) > _GAP_S:
            return None
        return near.status


def _apart(one: MountStatus, other: MountStatus) -> bool:
    """Return whether a mount shows another place."""
    if (
        one.declination_deg is None
        or other.declination_deg is None
        or one.right_ascension_deg is None
        or other.right_ascension_deg is None
    ):
        return True
    across = wrap_half_turn_deg(other.right_ascension_deg - one.right_ascension_deg)
    across *= math.cos(math.radians(one.declination_deg))
    along = other.declination_deg - one.declination_deg
    return abs(along) > _STILL_DECLINATION_DEG or abs(across) > _STILL_RIGHT_ASCENSION_DEG
