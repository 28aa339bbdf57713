"""Planning: the evening's plan, what it makes of the wishes, and how it is told.

A command's plan goes before the settings' one, until it is cleared or half a day past its window.
It is worked out anew when the place becomes known, and the settings' one for every evening.
"""

import asyncio
import logging
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from typing import Any

from polewright.core.errors import PolewrightError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.plan.evening_plan import EveningPlan, PlanAsked, PlanSource
from polewright.core.plan.meaning import exposure_words
from polewright.core.plan.working_out import PlanScene, work_out
from polewright.core.records import PlanRecord
from polewright.core.sky.place import Place
from polewright.ports import Clock, Journal, TargetCatalogue
from polewright.session.local_time import local_zone, wall_clock_words
from polewright.session.messages import Message
from polewright.session.plan_reading import read_plan
from polewright.session.telling import Teller
from polewright.session.wishes import EveningWishes, PlannedWindow
from polewright.session.workplace import Memory

_log = logging.getLogger(__name__)

# So long after its window a command's plan is kept, so that a morning's look still shows it.
_KEPT_AFTER = timedelta(hours=12)
_LOOK_EVERY_S = 60.0
# Where no night came, it is looked for again after this long; and a window that is farther off than
# a day is one by a clock that was set since.
_LOOK_AGAIN = timedelta(hours=6)
_LOOK_AHEAD = timedelta(hours=49)


class NoCatalogue:
    """Knows no name (implements :class:`polewright.ports.TargetCatalogue`)."""

    def find(self, name: str) -> Any:
        """Refuse."""
        raise UsageError(
            f'nothing is known by the name "{name[:64]}": there is no catalogue here',
            remedy='Give the place: "NAME = 13:26:47 -47:28:46".',
            code="unknown_target",
        )


class Planner:
    """Holds the plan in force, and lets memory wish for what it needs.

    Parameters
    ----------
    memory : Memory
        Its wishes are the settings' at first.
    clock, journal, teller
        As the evening's.
    place : callable
        Where the mount stands; None while no device says it.
    catalogue : TargetCatalogue, optional
        Knows targets by name.
    """

    def __init__(
        self,
        memory: Memory,
        clock: Clock,
        journal: Journal,
        teller: Teller,
        place: Callable[[], Place | None],
        catalogue: TargetCatalogue | None = None,
    ) -> None:
        self._memory = memory
        self._base = memory.wishes
        self._wish = memory.wishes.plan
        self._clock = clock
        self._journal = journal
        self._teller = teller
        self._place = place
        self._catalogue = catalogue or NoCatalogue()
        self._commanded: PlanAsked | None = None
        self._plan: EveningPlan | None = None
        self._worked_for: object = None
        self._worked_at = clock.now()
        self._lock = asyncio.Lock()

    @property
    def plan(self) -> EveningPlan | None:
        """The plan in force, as it was worked out last."""
        return self._plan

    @property
    def verify_at(self) -> datetime | None:
        """When the axis should be verified for the plan; None without a window, or past it."""
        plan = self._plan
        return None if plan is None or plan.over(self._clock.now()) else plan.verify_at

    async def restore(self) -> None:
        """Take up the plan that a command set before a restart."""
        kept = await self._journal.last_plan()
        self._commanded = None if kept is None else kept.asked
        await self.refresh()
        if self._commanded is not None:
            _log.info("the plan of %s holds", self._commanded.at.isoformat(timespec="minutes"))

    async def run(self) -> None:
        """Keep the plan worked out, for ever."""
        while True:
            await self.refresh()
            await self._clock.sleep(_LOOK_EVERY_S)

    async def refresh(self) -> None:
        """Work the plan out anew where what it depends on has changed."""
        async with self._lock:
            try:
                await self._refresh()
            except PolewrightError as trouble:  # hours that are no window on this day
                self._teller.warn(trouble)

    async def set(self, arguments: Mapping[str, Any]) -> Message:
        """Take a command's plan, or clear it; return what holds from now on.

        Raises
        ------
        UsageError
            It cannot be read; the plan before it holds.
        """
        async with self._lock:
            asked = await self._read(arguments)
            if asked is not None:
                await asyncio.to_thread(work_out, asked, self._scene())  # refuse before it counts
            self._commanded = asked
            await self._refresh()
        record = PlanRecord(at=self._clock.now(), asked=asked)
        not_kept = await self._journal.commit_plan(record)
        if self._plan is not None:
            text = f"the plan: {plan_words(self._plan)}"
        else:
            text = "there is no plan any more: the settings hold"
        self._teller.tell(text, remedy="See it with `polewright plan`.", code="plan")
        return {
            "plan": None if self._plan is None else plan_body(self._plan),
            "words": text,
            "kept": not_kept is None,
            "not_kept": None if not_kept is None else not_kept.text,
            "tolerance_arcmin": round(self._memory.wishes.tolerance_arcsec / 60.0, 4),
            "meaning": self._teller.last_meaning(),
        }

    def wish_as_planned(self) -> None:
        """Wish for the plan's tolerance and pole, or the settings', not for a command's."""
        self._memory.wishes = _with_plan(self._memory.wishes, self._base, self._plan)

    async def _read(self, arguments: Mapping[str, Any]) -> PlanAsked | None:
        if not arguments.get("clear"):
            return await asyncio.to_thread(
                read_plan, arguments, self._wish, self._catalogue, self._clock.now()
            )
        if len(arguments) > 1:
            others = ", ".join(sorted(name for name in arguments if name != "clear"))
            raise UsageError(
                f"a plan is cleared or set, not both: {others}",
                remedy="Send clear alone, or leave it out.",
                code="plan_twice",
            )
        return None

    async def _refresh(self) -> None:
        now = self._clock.now()
        plan = self._plan
        # The one that was worked out, not one that was set just now.
        if plan is not None and plan.asked is self._commanded and _done_with(plan, now):
            _log.info("the plan's window is long past: the settings hold")
            self._commanded = None
        asked = self._commanded or self._wish.asked
        over = plan is not None and plan.asked is asked and plan.over(now)
        depends_on = (asked, self._scene_place(), over)
        if depends_on == self._worked_for and not self._outdated(now):
            return
        worked = None if asked is None else await asyncio.to_thread(work_out, asked, self._scene())
        if worked is not None and asked is self._commanded and _done_with(worked, now):
            self._commanded, self._plan = None, worked
            await self._refresh()
            return
        self._take(worked)
        self._worked_at = now
        over = worked is not None and worked.over(now)
        self._worked_for = (asked, self._scene_place(), over)

    def _outdated(self, now: datetime) -> bool:
        """Return whether time alone changed what the plan is: a clock was set, a summer ends."""
        plan = self._plan
        if plan is None or plan.asked.source is not PlanSource.SETTINGS or not plan.asked.timed:
            return False
        if plan.window is None:
            return self._scene_place() is not None and abs(now - self._worked_at) > _LOOK_AGAIN
        return plan.asked.window is None and plan.window.start - now > _LOOK_AHEAD

    def _take(self, plan: EveningPlan | None) -> None:
        """Let memory wish for what the plan needs, and tell it."""
        before, self._plan = self._plan, plan
        self.wish_as_planned()
        self._teller.plan = plan
        if plan is None and before is None:
            return
        self._judge_again()
        self._teller.schedule(plan=None if plan is None else plan_body(plan))
        told = {warning.text for warning in before.warnings} if before else set()
        for warning in plan.warnings if plan else ():
            if warning.text not in told:
                self._teller.event(warning.text, remedy=warning.remedy, code=warning.code)

    def _judge_again(self) -> None:
        """Tell this evening's survey once more, judged by what holds now."""
        memory, place = self._memory, self._place()
        if memory.survey is None or memory.kept is not None or place is None:
            return
        wishes = memory.wishes
        correction = wishes.correction_of(memory.survey, place)
        self._teller.judged_again(memory.survey, correction, wishes.target_pole)

    def _scene_place(self) -> Place | None:
        return self._place() or self._wish.place

    def _scene(self) -> PlanScene:
        limits = self._base.limits
        return PlanScene(
            now=self._clock.now(),
            zone=local_zone(),
            place=self._scene_place(),
            above_floor=limits.above_floor_deg,
            sun_cone_deg=limits.sun_cone_deg,
        )


def _done_with(plan: EveningPlan, now: datetime) -> bool:
    return (
        plan.asked.source is PlanSource.COMMAND
        and plan.window is not None
        and now >= plan.window.end + _KEPT_AFTER
    )


def _with_plan(
    wishes: EveningWishes, base: EveningWishes, plan: EveningPlan | None
) -> EveningWishes:
    """Return the wishes with what the plan needs, and the settings' where it says nothing."""
    tolerance = None if plan is None else plan.tolerance
    targets = () if plan is None else plan.asked.targets
    window = base.window
    if plan is not None and targets and plan.window is not None:
        window = PlannedWindow(targets=targets, start=plan.window.start, end=plan.window.end)
    return replace(
        wishes,
        tolerance_arcsec=(
            base.tolerance_arcsec if tolerance is None else tolerance.error_rad / ARCSEC_RAD
        ),
        target_pole=base.target_pole if plan is None else plan.target_pole,
        window=window,
    )


def plan_words(plan: EveningPlan) -> str:
    """Return a plan as one sentence."""
    asked = plan.asked
    parts = [", ".join(target.name for target in asked.targets) or "any target"]
    for train in asked.trains:
        name = f" ({train.name})" if train.name else ""
        guided = "guided" if train.guided else "without guiding"
        parts.append(
            f"{exposure_words(train.exposure_s)} at {train.focal_length_mm:g} mm{name}, {guided}"
        )
    if plan.window is not None:
        first, last = map(wall_clock_words, (plan.window.start, plan.window.end))
        parts.append(f"{first} to {last}")
    if plan.tolerance is not None:
        arcmin = plan.tolerance.error_rad / ARCMIN_RAD
        parts.append(f"the axis may be off by {arcmin:.2f} arcmin from {pole_words(plan)}")
    return "; ".join(parts)


def pole_words(plan: EveningPlan) -> str:
    """Return what the plan's pole is called."""
    return "tonight's pole" if plan.target_pole == "tonight" else f"the {plan.target_pole} pole"


def plan_body(plan: EveningPlan) -> Message:
    """Return a plan as it is told: ``plan`` in the ``schedule`` payload, and in replies."""
    tightest, window, tolerance = plan.tightest, plan.window, plan.tolerance
    return {
        "source": plan.asked.source.value,
        "targets": [
            {
                "name": target.name,
                "right_ascension_deg": round(target.right_ascension_deg, 5),
                "declination_deg": round(target.declination_deg, 5),
            }
            for target in plan.asked.targets
        ],
        "trains": [asdict(train) for train in plan.asked.trains],
        "start": None if window is None else window.start.isoformat(timespec="seconds"),
        "end": None if window is None else window.end.isoformat(timespec="seconds"),
        "verify_at": (
            None if plan.verify_at is None else plan.verify_at.isoformat(timespec="seconds")
        ),
        "tolerance_arcmin": (
            None if tolerance is None else round(tolerance.error_rad / ARCMIN_RAD, 4)
        ),
        "tolerance_reason": None if tolerance is None else tolerance.reason,
        "tightest_target": None if tightest is None else tightest.target or None,
        "tightest_train": None if tightest is None else tightest.train_name or None,
        "target_pole": plan.target_pole,
        "pole_reason": plan.pole_reason,
        "warnings": [asdict(warning) for warning in plan.warnings],
        "words": plan_words(plan),
    }
