"""Scheduling: the axis is verified by itself, at set times, and never in the way of other work.

Due times are looked at by the clock on the wall again and again, so that a clock that is set, a
computer that slept and a power cut are all the same: what is due within its grace is done, what is
past it is told as missed.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Protocol

from polewright.core.axis.correction import Verdict
from polewright.core.errors import PolewrightError
from polewright.core.occasions import Occasion, by_plan
from polewright.core.sky.place import Place
from polewright.ports import Clock
from polewright.session.messages import Message
from polewright.session.schedule_wish import ScheduleWish
from polewright.session.verification import Depth, Verification, Why

_log = logging.getLogger(__name__)

_LOOK_EVERY_S = 15.0
# How far ahead the next one is looked for: a midsummer without dusk is longer, and is looked at
# again every time.
_AHEAD = timedelta(hours=50)
# Keys of what was done; a clock that is set back by days is out of this.
_MOST_DONE = 64
# What is missed by more than this was planned by a clock that had never been set.
_NEVER_MEANT = timedelta(days=2)


class Scheduled(Protocol):
    """What the schedule needs of the evening."""

    @property
    def place(self) -> Place | None:
        """Where the mount stands, once that is known."""
        ...

    def unready(self) -> str | None:
        """Return why nothing could begin now without interrupting."""
        ...

    async def handle(self, verb: str, arguments: dict[str, object]) -> Message:
        """Carry out a command."""
        ...

    def tell_schedule(self, **parts: Message | str | None) -> None:
        """Tell what is planned."""
        ...

    def warn(self, text: str, *, remedy: str, code: str) -> None:
        """Warn."""
        ...


class Schedule:
    """Verifies when it is due.

    Parameters
    ----------
    evening : Scheduled
        Does it.
    clock : Clock
        What time it is.
    wish : ScheduleWish
        When.
    plan_due : callable
        When the plan wants it; None: no plan, or no window.
    """

    def __init__(
        self,
        evening: Scheduled,
        clock: Clock,
        wish: ScheduleWish,
        plan_due: Callable[[], datetime | None] = lambda: None,
    ) -> None:
        self._evening = evening
        self._clock = clock
        self._wish = wish
        self._plan_due = plan_due
        self._done: deque[str] = deque(maxlen=_MOST_DONE)
        self._expected: Occasion | None = None
        self._why = ""
        self._told: tuple[Occasion | None, str | None] | None = None

    async def run(self) -> None:
        """Verify whenever it is due, for ever."""
        while True:
            await self.look()
            await self._clock.sleep(_LOOK_EVERY_S)

    async def look(self) -> None:
        """Do what is due now, if anything."""
        now = self._clock.now()
        self._tell_missed(now)
        due = [one for one in await self._occasions(now) if one.due <= now]
        if due:
            # What came due together is done once.
            newest = due[-1]
            why = self._evening.unready()
            if why is None:
                self._done.extend(one.key for one in due)
                self._expected = None
                if not await self._verify(newest):
                    for one in due:
                        self._done.remove(one.key)
                    why = "other work began just before"
                now = self._clock.now()
            if why is not None:
                self._expected, self._why = newest, why
        await self._plan_on(now)

    async def _occasions(self, now: datetime) -> list[Occasion]:
        """Return what is not done and not over, in order."""
        start, end = now - self._wish.grace, now + _AHEAD
        place = self._evening.place
        found = await asyncio.to_thread(self._wish.timetable.between, start, end, place)
        if self._wish.before_plan:
            found += [one for one in by_plan(self._plan_due()) if one.due >= start]
        left = [one for one in found if one.key not in self._done]
        return sorted(left, key=lambda occasion: occasion.due)

    async def _plan_on(self, now: datetime) -> None:
        """Take note of what is next, and tell it where that changed."""
        left = await self._occasions(now)
        coming = left[0] if left else None
        waiting = None
        if coming is not None and coming.due <= now:
            waiting = self._why
        elif coming is not None:
            self._why = ""
        self._expected = coming
        if self._told == (coming, waiting):
            return
        self._told = (coming, waiting)
        body: Message | None = None
        if coming is not None:
            body = {"due": coming.due.isoformat(timespec="seconds"), "rule": coming.rule.value}
        self._evening.tell_schedule(next=body, waiting=waiting)

    def _tell_missed(self, now: datetime) -> None:
        """Tell of what was expected and is past its grace."""
        missed = self._expected
        if missed is None or missed.key in self._done or now <= missed.due + self._wish.grace:
            return
        self._done.append(missed.key)
        self._expected = None
        if now > missed.due + _NEVER_MEANT:
            return
        why = self._why or "the clock was set, or this computer slept or was busy"
        text = f"the verification of {missed.due:%H:%M} UTC was missed: {why}"
        remedy = "Verify now: polewright verify."
        outcome = Verification(
            depth=Depth.AUTO,
            verdict=Verdict.CANNOT_TELL,
            why=Why(code="verification_missed", text=text, remedy=remedy),
            scheduled=True,
        )
        self._evening.tell_schedule(last=outcome.message(now))
        self._evening.warn(text, remedy=remedy, code="verification_missed")

    async def _verify(self, occasion: Occasion) -> bool:
        """Verify; return False where other work was quicker to begin, so that it waits for that."""
        _log.info("a verification is due by %s", occasion.rule.value)
        try:
            await self._evening.handle("verify", {"scheduled": True})
        except PolewrightError as failure:
            if failure.code == "busy":
                return False
            # Told already, by the verification itself or as what blocks the service.
            _log.info("the scheduled verification ended: %s", failure)
        except Exception:
            # As with a command: the service outlives it, and so does the stop.
            _log.exception("Bug in the scheduled verification")
        return True
