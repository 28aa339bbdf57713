"""Reading: a journal as the command line sees it, also while the service writes it."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from polewright.adapters.journal.lessons import read_lessons
from polewright.adapters.journal.packing import DamagedRecordError, unpack
from polewright.adapters.journal.schema import MIGRATIONS, NotAJournalError, refuse_foreign
from polewright.adapters.journal.schema import version_of as schema_version
from polewright.adapters.journal.store import BUSY_S, is_damage, primary_code
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.records import FrameRecord, Lessons, LiveRecord, SurveyRecord

Record = TypeVar("Record")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptSurvey:
    """A survey's number, the start of its evening, and what was kept (None: damaged)."""

    number: int
    evening: int
    record: SurveyRecord | None


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


def _unpacked(kind: type[Record], data: bytes) -> Record | None:
    try:
        return unpack(kind, data)
    except DamagedRecordError:
        return None
