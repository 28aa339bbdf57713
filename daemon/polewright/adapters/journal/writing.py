"""Writing: the journal that the evening uses; the disk is waited for in a thread of its own."""

import asyncio
import contextlib
import errno
import logging
import queue
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from polewright.adapters.journal.schema import NotAJournalError
from polewright.adapters.journal.store import JournalStore, is_damage, primary_code, set_aside
from polewright.core.axis.stands import Moment
from polewright.core.errors import DeviceError, PolewrightError
from polewright.core.records import (
    BracketRecord,
    FrameRecord,
    KnobRecord,
    Lessons,
    LiveRecord,
    NoticeRecord,
    PlacementRecord,
    PlanRecord,
    PointingRecord,
    SurveyRecord,
    TrainRecord,
    TransitionRecord,
)

_log = logging.getLogger(__name__)

# So many frames wait for the disk at most; commits always may.  At a frame a second this is over
# a quarter of an hour.
MOST_QUEUED = 1000
# A commit point waits for the disk this long (s); a memory card's worst pause is about a second.
COMMIT_TIMEOUT_S = 5.0
# The first reading may have to go through the whole file (s).
OPEN_TIMEOUT_S = 30.0
# At the end the rest is written for this long (s): ending in time is worth more.
CLOSE_TIMEOUT_S = 3.0
# After a failure frames are let pass for this long before the file is tried again (s).
RETRY_AFTER_S = 5.0
# The same trouble, come and gone, is told again after this long (s).
TELL_AGAIN_AFTER_S = 600.0
# A disk that breaks one file after another gets no more of them.
MOST_SET_ASIDE = 5
# Surveys that a failing disk refused are tried again, this many at most.
MOST_OWED = 16

_NO_RIGHT = (errno.EACCES, errno.EPERM, errno.EROFS)

Work = Callable[[JournalStore], Any]


@dataclass(frozen=True, slots=True)
class _Item:
    work: Work
    answer: "Future[Any] | None" = None
    is_commit: bool = False


class SqliteJournal:
    """Implements :class:`polewright.ports.Journal` on one SQLite file.

    An async context manager.  Nothing here raises for the sake of the disk: a first failure is
    logged as a warning and told to ``on_trouble``, further ones are counted.

    Parameters
    ----------
    path : Path
        The file.
    now : callable
        The aware UTC instant.
    on_trouble : callable, optional
        Told, in the event loop's thread, of trouble worth a person's notice.
    commit_timeout_s : float
        A commit waits for the disk this long (s), and is written later where that was too short.
    """

    def __init__(
        self,
        path: Path,
        *,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        on_trouble: Callable[[PolewrightError], None] | None = None,
        commit_timeout_s: float = COMMIT_TIMEOUT_S,
    ) -> None:
        self.path = path
        self._now = now
        self._on_trouble = on_trouble
        self._commit_timeout_s = commit_timeout_s
        self._queue: queue.SimpleQueue[_Item | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._write, name="journal", daemon=True)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._store: JournalStore | None = None
        self._owed: deque[Work] = deque(maxlen=MOST_OWED)
        self._trouble: PolewrightError | None = None
        self._retry_at_s = 0.0
        self._told_at_s: dict[str, float] = {}
        self._set_aside = 0
        self._put_aside: str | None = None
        self._lost = 0

    @property
    def trouble(self) -> PolewrightError | None:
        """What is wrong now; None while everything is kept."""
        return self._trouble

    @property
    def put_aside(self) -> str | None:
        """Where a damaged file was put last since the start; None where none was."""
        return self._put_aside

    @property
    def lost(self) -> int:
        """Number of frames, corrections and transitions that could not be kept."""
        return self._lost

    async def __aenter__(self) -> "SqliteJournal":
        """Begin; the file is opened in the thread, at the first need."""
        self._loop = asyncio.get_running_loop()
        self._thread.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Write what waits, bounded, and close."""
        await asyncio.to_thread(self._end)
        self._loop = None

    def record_frame(self, frame: FrameRecord) -> None:
        """Queue a frame."""
        self._put(_Item(lambda store: store.add_frame(frame)))

    def record_live(self, live: LiveRecord) -> None:
        """Queue a live correction."""
        self._put(_Item(lambda store: store.add_live(live)))

    def record_transition(self, transition: TransitionRecord) -> None:
        """Queue a change of what the service is doing."""
        self._put(_Item(lambda store: store.add_transition(transition)))

    def record_notice(self, notice: NoticeRecord) -> None:
        """Queue an event that was told."""
        self._put(_Item(lambda store: store.add_notice(notice)))

    def record_knob(self, knob: KnobRecord) -> None:
        """Queue what was learned of a knob."""
        self._put(_Item(lambda store: store.add_knob(knob)))

    def record_train(self, train: TrainRecord) -> None:
        """Queue what was learned of an optical train."""
        self._put(_Item(lambda store: store.add_train(train)))

    def record_bracket(self, bracket: BracketRecord) -> None:
        """Queue what a survey taught of a sensor's bracket."""
        self._put(_Item(lambda store: store.add_bracket(bracket)))

    def record_pointing(self, pointing: PointingRecord) -> None:
        """Queue what a star alignment found."""
        self._put(_Item(lambda store: store.add_pointing(pointing)))

    async def commit_survey(
        self, survey: SurveyRecord, frames: Sequence[FrameRecord]
    ) -> PolewrightError | None:
        """Keep a survey and its frames on the disk; return what prevented it."""
        kept = tuple(frames)
        outcome = await self._ask(
            lambda store: store.commit_survey(survey, kept), self._commit_timeout_s, is_commit=True
        )
        return outcome if isinstance(outcome, PolewrightError) else None

    async def commit_placement(self, placement: PlacementRecord) -> PolewrightError | None:
        """Keep where the feet stand on the disk; return what prevented it."""
        outcome = await self._ask(
            lambda store: store.add_placement(placement), self._commit_timeout_s, is_commit=True
        )
        return outcome if isinstance(outcome, PolewrightError) else None

    async def commit_plan(self, plan: PlanRecord) -> PolewrightError | None:
        """Keep a plan, or that there is none, on the disk; return what prevented it."""
        outcome = await self._ask(
            lambda store: store.add_plan(plan), self._commit_timeout_s, is_commit=True
        )
        return outcome if isinstance(outcome, PolewrightError) else None

    async def last_plan(self) -> PlanRecord | None:
        """Return what was kept last of a plan, where that can be read."""
        outcome = await self._ask(lambda store: store.last_plan(), OPEN_TIMEOUT_S)
        return outcome if isinstance(outcome, PlanRecord) else None

    async def axis_moments(self, mount: str) -> tuple[Moment, ...] | None:
        """Return what happened to a mount's axis lately; None where it cannot be read."""
        outcome = await self._ask(lambda store: store.axis_moments(mount), OPEN_TIMEOUT_S)
        return outcome if isinstance(outcome, tuple) else None

    async def last_survey(self) -> SurveyRecord | None:
        """Return the last committed survey, where there is one that can be read."""
        outcome = await self._ask(lambda store: store.last_survey(), OPEN_TIMEOUT_S)
        return outcome if isinstance(outcome, SurveyRecord) else None

    async def lessons(self) -> Lessons:
        """Return what earlier evenings taught, nothing where it cannot be read."""
        outcome = await self._ask(lambda store: store.lessons(), OPEN_TIMEOUT_S)
        return outcome if isinstance(outcome, Lessons) else Lessons()

    async def _ask(self, work: Work, timeout_s: float, *, is_commit: bool = False) -> Any:
        """Return what the work returns, or the trouble that prevented it."""
        answer: Future[Any] = Future()
        self._put(_Item(work, answer, is_commit))
        try:
            async with asyncio.timeout(timeout_s):
                return await asyncio.wrap_future(answer)
        except TimeoutError:
            return self._note(
                "journal_slow",
                f"the disk did not take the journal within {timeout_s:.0f} s",
                "Check the disk or memory card; measuring goes on.",
            )

    def _put(self, item: _Item) -> None:
        if item.answer is None and self._queue.qsize() >= MOST_QUEUED:
            self._lost += 1
            self._note(
                "journal_slow",
                f"the disk is too slow for the journal {self.path}: frames are not kept",
                "Check the disk or memory card; measuring goes on.",
            )
        else:
            self._queue.put(item)

    def _end(self) -> None:
        self._queue.put(None)
        self._thread.join(CLOSE_TIMEOUT_S)
        if self._thread.is_alive():
            _log.warning("the journal could not be written to its end: the disk does not answer")

    def _note(self, code: str, text: str, remedy: str) -> PolewrightError:
        """Take note of trouble; tell it where it is new."""
        trouble = self._trouble = DeviceError(text, remedy=remedy, code=code)
        self._retry_at_s = time.monotonic() + RETRY_AFTER_S
        self._tell(trouble)
        return trouble

    def _tell(self, trouble: PolewrightError) -> None:
        now_s = time.monotonic()
        told_at_s = self._told_at_s.get(trouble.code)
        if told_at_s is not None and now_s - told_at_s < TELL_AGAIN_AFTER_S:
            _log.debug("%s", trouble)
            return
        self._told_at_s[trouble.code] = now_s
        _log.warning("%s", trouble)
        loop = self._loop
        if self._on_trouble is not None and loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                loop.call_soon_threadsafe(self._on_trouble, trouble)

    # What follows runs in the thread.

    def _write(self) -> None:
        while (item := self._queue.get()) is not None:
            outcome = self._attempt(item)
            if item.answer is None:
                self._lost += isinstance(outcome, PolewrightError)
            elif item.answer.set_running_or_notify_cancel():
                item.answer.set_result(outcome)
        if self._owed:
            self._attempt(_Item(lambda _store: None))
        if self._store is not None:
            self._store.close()

    def _attempt(self, item: _Item) -> Any:
        """Return what the work returns, or the trouble; a damaged file is set aside once."""
        waits = self._trouble is not None and time.monotonic() < self._retry_at_s
        if waits and item.answer is None:
            return self._trouble
        try:
            try:
                outcome = self._do(item.work)
            except (sqlite3.Error, ValueError) as damage:
                if not is_damage(damage) or self._set_aside >= MOST_SET_ASIDE:
                    raise
                self._begin_anew(damage)
                outcome = self._do(item.work)
        except (sqlite3.Error, OSError, NotAJournalError, ValueError) as cause:
            trouble = self._failed(cause)
            if item.is_commit:
                self._owed.append(item.work)
            return trouble
        except Exception as bug:
            _log.exception("a record could not be kept: this is a bug")
            return DeviceError(
                f"the journal has a fault of its own: {bug}", remedy="Report it with the log.",
                code="journal_fault",
            )  # fmt: skip
        if self._trouble is not None:
            _log.info("the journal is written again; %d records were not kept", self._lost)
            self._trouble = None
        return outcome

    def _do(self, work: Work) -> Any:
        """Do what is owed first, so that the last survey stays the last, then the work."""
        store = self._opened()
        while self._owed:
            self._owed[0](store)
            self._owed.popleft()
        return work(store)

    def _opened(self) -> JournalStore:
        if self._store is not None and not self._store.in_place:
            _log.warning("the journal %s was moved away: a new one is begun", self.path)
            self._shut()
        if self._store is None:
            self._store = JournalStore(self.path, now=self._now)
        return self._store

    def _shut(self) -> None:
        if self._store is not None:
            with contextlib.suppress(sqlite3.Error):
                self._store.close()
            self._store = None

    def _begin_anew(self, damage: Exception) -> None:
        self._shut()
        self._set_aside += 1
        target = set_aside(self.path, self._now())
        self._put_aside = str(target)
        self._tell(
            DeviceError(
                f"the journal was damaged ({damage}) and set aside as {target}; a new one is "
                "begun, without the surveys before now",
                remedy="Survey again; check the disk or memory card if this happens twice.",
                code="journal_set_aside",
            )
        )

    def _failed(self, cause: Exception) -> PolewrightError:
        code, why, remedy = _explained(cause)
        if code != "journal_locked":
            self._shut()
        return self._note(
            code, f"the journal {self.path} is not written: {why}; measuring goes on", remedy
        )


def _explained(cause: Exception) -> tuple[str, str, str]:
    """Return a stable code, the cause in words, and what to do."""
    if isinstance(cause, NotAJournalError):
        return "journal_foreign", cause.text, cause.remedy
    no_right = isinstance(cause, OSError) and cause.errno in _NO_RIGHT
    match sqlite3.SQLITE_PERM if no_right else primary_code(cause):
        case sqlite3.SQLITE_FULL:
            return "journal_disk_full", "the disk is full", "Free some space on it."
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return (
                "journal_locked",
                "another program holds it",
                "End the other program that writes to it.",
            )
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return (
                "journal_not_writable",
                "it may not be written there",
                "Correct the permissions, or name another folder in [journal] directory.",
            )
    reason = getattr(cause, "strerror", None) or str(cause)
    return (
        "journal_failed",
        reason,
        "Check the disk, or name another folder in [journal] directory.",
    )
