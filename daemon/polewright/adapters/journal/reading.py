"""Reading: a journal as the command line sees it, also while the service writes it."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

from polewright.adapters.journal.lessons import read_lessons
from polewright.adapters.journal.moments import read_moments
from polewright.adapters.journal.packing import DamagedRecordError, unpack
from polewright.adapters.journal.schema import MIGRATIONS, NotAJournalError, refuse_foreign
from polewright.adapters.journal.schema import version_of as schema_version
from polewright.adapters.journal.store import BUSY_S, is_damage, primary_code
from polewright.core.axis.stands import Moment
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.records import (
    BracketRecord,
    FrameRecord,
    KnobRecord,
    Lessons,
    LiveRecord,
    NoticeRecord,
    PlacementRecord,
    PointingRecord,
    SurveyRecord,
    TransitionRecord,
)

Record = TypeVar("Record")

_PAUSE = timedelta(hours=6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptSurvey:
    """A survey's number, the start of its evening, and what was kept (None: damaged)."""

    number: int
    evening: int
    record: SurveyRecord | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptEvening:
    """An evening's number from 1, and the first and last instant at which anything was kept."""

    number: int
    began: datetime
    ended: datetime

    def holds(self, at: datetime) -> bool:
        """Return whether an instant is of this evening."""
        return self.began <= at <= self.ended


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptAdjustment:
    """The first and the last correction after a survey, and how many there were."""

    survey: int
    corrections: int
    began: LiveRecord
    ended: LiveRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPoint:
    """The errors that one live correction told (arcmin); ``first``: it began an adjustment."""

    at: datetime
    altitude_error_arcmin: float
    azimuth_error_arcmin: float
    total_error_arcmin: float
    total_error_sigma_arcmin: float
    first: bool


def evenings_of(instants: Sequence[datetime]) -> list[KeptEvening]:
    """Return the evenings that instants (in order) belong to.

    An evening ends where nothing was kept for six hours: a day of the Sun that goes on into the
    night is one, and a service that runs for weeks has many.
    """
    spans: list[tuple[datetime, datetime]] = []
    for instant in instants:
        if spans and instant - spans[-1][1] <= _PAUSE:
            spans[-1] = (spans[-1][0], instant)
        else:
            spans.append((instant, instant))
    return [
        KeptEvening(number=number, began=began, ended=ended)
        for number, (began, ended) in enumerate(spans, 1)
    ]


class JournalReader:
    """Reads one journal file; changes nothing in it."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def surveys(self, number: int | None = None) -> Iterator[KeptSurvey]:
        """Yield the surveys, or one of them, oldest first."""
        rows = self._connection.execute(
            "SELECT id, evening_id, record FROM survey WHERE ?1 IS NULL OR id = ?1 ORDER BY id",
            (number,),
        )
        for identifier, evening, data in rows:
            yield KeptSurvey(
                number=identifier, evening=evening, record=_unpacked(SurveyRecord, data)
            )

    def frames_of(self, number: int) -> list[FrameRecord | None]:
        """Return a survey's frames in order; None for a damaged one."""
        rows = self._connection.execute(
            "SELECT frame.record FROM survey_frame JOIN frame ON frame.id = frame_id "
            "WHERE survey_id = ? ORDER BY position",
            (number,),
        )
        return [_unpacked(FrameRecord, data) for (data,) in rows]

    def frames(self) -> Iterator[FrameRecord | None]:
        """Yield every frame, oldest first; None for a damaged one."""
        for (data,) in self._connection.execute("SELECT record FROM frame ORDER BY id"):
            yield _unpacked(FrameRecord, data)

    def evenings(self) -> list[KeptEvening]:
        """Return the evenings, oldest first."""
        query = " UNION ALL ".join(
            f"SELECT {column} FROM {table}"
            for table, column in (
                ("survey", "committed_at"), ("transition", "at"), ("placement", "at"),
                ("knob", "at"), ("bracket", "at"), ("pointing", "at"),
            )
        )  # fmt: skip
        instants = sorted(
            instant
            for (text,) in self._connection.execute(query)
            if (instant := _instant(text)) is not None
        )
        return evenings_of(instants)

    def adjustments(self) -> Iterator[KeptAdjustment]:
        """Yield what became of each survey that somebody adjusted from, oldest first."""
        rows = self._connection.execute(
            "SELECT survey_id, count(*), min(id), max(id) FROM live "
            "WHERE survey_id IS NOT NULL GROUP BY survey_id"
        ).fetchall()
        for number, count, first, last in rows:
            began, ended = (
                _unpacked(
                    LiveRecord,
                    *self._connection.execute(
                        "SELECT record FROM live WHERE id = ?", (row,)
                    ).fetchone(),
                )
                for row in (first, last)
            )
            if began is not None and ended is not None:
                yield KeptAdjustment(survey=number, corrections=count, began=began, ended=ended)

    def told_after(self, surveys: Sequence[int]) -> list[KeptPoint]:
        """Return the errors that were told live after these surveys, in order."""
        found = []
        for number in surveys:
            rows = self._connection.execute(
                "SELECT at, altitude_error_arcmin, azimuth_error_arcmin, total_error_arcmin, "
                "total_error_sigma_arcmin, sequence FROM live WHERE survey_id = ? ORDER BY id",
                (number,),
            )
            for text, altitude, azimuth, total, sigma, sequence in rows:
                at = _instant(text)
                if at is not None and None not in (altitude, azimuth, total, sigma):
                    found.append(
                        KeptPoint(
                            at=at,
                            altitude_error_arcmin=altitude,
                            azimuth_error_arcmin=azimuth,
                            total_error_arcmin=total,
                            total_error_sigma_arcmin=sigma,
                            first=sequence == 1,
                        )
                    )
        return found

    def placements(self) -> list[PlacementRecord]:
        """Return what was said of where the feet stand, oldest first."""
        return self._all(PlacementRecord, "placement")

    def knobs(self) -> list[KnobRecord]:
        """Return what was known of knobs after every report, oldest first."""
        return self._all(KnobRecord, "knob")

    def brackets(self) -> list[BracketRecord]:
        """Return what surveys taught of brackets, oldest first."""
        return self._all(BracketRecord, "bracket")

    def pointings(self) -> list[PointingRecord]:
        """Return what star alignments found, oldest first."""
        return self._all(PointingRecord, "pointing")

    def transitions(self, evening: KeptEvening) -> list[TransitionRecord]:
        """Return the changes of phase of one evening, in order."""
        rows = self._connection.execute(
            "SELECT at, before, after, happening, code FROM transition ORDER BY id"
        )
        return [
            TransitionRecord(at=at, before=before, after=after, happening=happening, code=code)
            for text, before, after, happening, code in rows
            if (at := _instant(text)) is not None and evening.holds(at)
        ]

    def notices(self, evening: KeptEvening) -> list[NoticeRecord]:
        """Return what was told in one evening, in order."""
        rows = self._connection.execute("SELECT at, level, code, text FROM notice ORDER BY id")
        return [
            NoticeRecord(at=at, level=level, code=code, text=text)
            for instant, level, code, text in rows
            if (at := _instant(instant)) is not None and evening.holds(at)
        ]

    def moments(self) -> dict[str, tuple[Moment, ...]]:
        """Return what happened to every mount's axis, by the mount's name."""
        return read_moments(self._connection)

    def _all(self, kind: type[Record], table: str) -> list[Record]:
        rows = self._connection.execute(f"SELECT record FROM {table} ORDER BY id")
        return [record for (data,) in rows if (record := _unpacked(kind, data)) is not None]

    def lessons(self) -> Lessons:
        """Return what the mount and the optics taught."""
        return read_lessons(self._connection)

    def live_of(self, number: int) -> Iterator[tuple[LiveRecord | None, FrameRecord | None]]:
        """Yield the corrections that were told after a survey, each with its frame.

        None for what is damaged or was not kept.
        """
        rows = self._connection.execute(
            "SELECT live.record, frame.record FROM live "
            "LEFT JOIN frame ON frame.id = frame_id WHERE survey_id = ? ORDER BY live.id",
            (number,),
        )
        for live, frame in rows:
            yield (
                _unpacked(LiveRecord, live),
                None if frame is None else _unpacked(FrameRecord, frame),
            )


@contextmanager
def open_reader(path: Path) -> Iterator[JournalReader]:
    """Open a journal for reading while the context is open.

    Raises
    ------
    UsageError
        There is no such file, or it is no journal of a version known here.
    MeasurementError
        ``journal_damaged``: it cannot be read any more.
    """
    if not path.is_file():
        raise UsageError(
            f"there is no journal {path}",
            remedy="Run a survey first, or name the file with --file.",
            code="no_journal",
        )
    connection: sqlite3.Connection | None = None
    try:
        connection = connect_to_read(path)
        refuse_foreign(connection)
        if schema_version(connection) < len(MIGRATIONS):
            raise NotAJournalError(
                "it is empty or of an older version", "Start the service once: it brings it up."
            )
        yield JournalReader(connection)
    except NotAJournalError as trouble:
        raise UsageError(
            f"{path} cannot be read: {trouble.text}", remedy=trouble.remedy, code="not_a_journal"
        ) from None
    except (sqlite3.Error, UnicodeDecodeError) as trouble:
        damaged = is_damage(trouble)
        raise MeasurementError(
            f"{path} cannot be read: {trouble}",
            remedy="Start the service: it sets a damaged journal aside and begins a new one."
            if damaged
            else "Check the file's permissions, or try again.",
            code="journal_damaged" if damaged else "journal_unreadable",
        ) from None
    finally:
        if connection is not None:
            connection.close()


def connect_to_read(path: Path) -> sqlite3.Connection:
    """Return a connection that changes nothing in a journal."""
    uri = path.absolute().as_uri()
    # Where this user may not write beside the file, only a file that nobody writes can be read.
    for option in ("mode=ro", "mode=ro&immutable=1"):
        connection = sqlite3.connect(
            f"{uri}?{option}", uri=True, timeout=BUSY_S, isolation_level=None
        )
        try:
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.OperationalError as trouble:
            connection.close()
            cannot_open = primary_code(trouble) == sqlite3.SQLITE_CANTOPEN
            if option == "mode=ro" and cannot_open and not Path(f"{path}-wal").exists():
                continue
            raise
        except (sqlite3.Error, UnicodeDecodeError):
            connection.close()
            raise
        return connection
    raise AssertionError("unreachable")


def _instant(text: object) -> datetime | None:
    """Return the instant that a column tells; None where it is damaged."""
    try:
        instant = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return instant if instant.tzinfo is not None else None


def _unpacked(kind: type[Record], data: bytes) -> Record | None:
    try:
        return unpack(kind, data)
    except DamagedRecordError:
        return None
