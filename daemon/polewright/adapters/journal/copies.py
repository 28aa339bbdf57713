"""Copies: a journal backed up while the service writes it, and put back when nobody holds it."""

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from polewright.adapters.journal.reading import connect_to_read
from polewright.adapters.journal.schema import (
    APPLICATION_ID,
    NotAJournalError,
    migrate,
    present_tables,
    refuse_foreign,
    tables_of,
    version_of,
)
from polewright.adapters.journal.store import aside_name, primary_code
from polewright.core.errors import DeviceError, MeasurementError, UsageError

# A reader that is about to end may hold the file this long (s); a service holds it for ever.
_HELD_AFTER_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyReport:
    """What was copied.

    Attributes
    ----------
    path : Path
        The file that was written.
    version : int
        Of its tables, as they were found.
    surveys, frames : int
        How many it holds.
    bytes_written : int
        Its size (bytes).
    set_aside : Path or None
        Where the journal went that stood there before.
    """

    path: Path
    version: int
    surveys: int
    frames: int
    bytes_written: int
    set_aside: Path | None = None


def back_up(journal: Path, target: Path) -> CopyReport:
    """Copy a journal as it stands at one instant, also while a service writes it.

    Raises
    ------
    UsageError
        ``no_journal``, ``not_a_journal``, ``file_exists``, ``cannot_write``.
    MeasurementError
        ``journal_damaged``: it is not whole; nothing was written.
    """
    if target.exists():
        raise _in_the_way(target)
    with _temporary_beside(target) as temporary:
        found = _copied(journal, temporary)
        version, surveys, frames = _proved(temporary, journal, of_present_version=False)
        _to_disk(temporary)
        try:
            os.link(temporary, target)  # unlike a renaming it never replaces
        except FileExistsError:
            raise _in_the_way(target) from None
        except OSError:  # a memory card's file system knows no links
            if target.exists():
                raise _in_the_way(target) from None
            temporary.rename(target)
        _to_disk(target.parent)
    assert found == version
    return CopyReport(
        path=target, version=version, surveys=surveys, frames=frames,
        bytes_written=target.stat().st_size,
    )  # fmt: skip


def restore(backup: Path, journal: Path, *, now: datetime) -> CopyReport:
    """Put a backup in a journal's place; the journal that stands there is set aside, not deleted.

    The backup is copied, proved and brought to the present version beside the journal first.  The
    last step is one renaming: whatever ends the program, the old journal stands there or the new.

    Raises
    ------
    UsageError
        ``no_journal``, ``not_a_journal``, ``same_file``, ``cannot_write``.
    MeasurementError
        ``journal_damaged``: the backup is not whole; nothing was changed.
    DeviceError
        ``journal_held``: a service, or another program, has the journal open.
    """
    if backup.exists() and journal.exists() and backup.samefile(journal):
        raise UsageError(
            f"{backup} is this journal itself",
            remedy="Name a backup made by `polewright history --backup`.",
            code="same_file",
        )
    with _temporary_beside(journal) as temporary:
        version = _copied(backup, temporary)
        _brought_up(temporary, backup)
        _, surveys, frames = _proved(temporary, backup, of_present_version=True)
        _to_disk(temporary)
        aside = None
        with _nobody_else_holds(journal):
            if journal.exists():
                shutil.copymode(journal, temporary)
                aside = _kept_aside(journal, now)
            os.replace(temporary, journal)
            _to_disk(journal.parent)
    return CopyReport(
        path=journal, version=version, surveys=surveys, frames=frames,
        bytes_written=journal.stat().st_size, set_aside=aside,
    )  # fmt: skip


def _copied(source: Path, target: Path) -> int:
    """Copy a database page by page at one instant; return its version."""
    if not source.is_file():
        raise UsageError(
            f"there is no file {source}",
            remedy="Check the name; `polewright history --file` names another journal.",
            code="no_journal",
        )
    try:
        with closing(connect_to_read(source)) as reading:
            refuse_foreign(reading)
            version = version_of(reading)
            if version == 0:
                raise NotAJournalError("it is empty", "Name a journal, or a backup of one.")
            with closing(sqlite3.connect(target, isolation_level=None)) as writing:
                # In one step: one transaction of the reader, which holds up no writer.
                reading.backup(writing, pages=-1)
                # One file is the whole of it, without a log beside it.
                writing.execute("PRAGMA journal_mode = DELETE")
    except NotAJournalError as trouble:
        raise _not_a_journal(source, trouble) from None
    except (sqlite3.Error, UnicodeDecodeError) as trouble:
        if primary_code(trouble) in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            raise _cannot_write(target.parent, str(trouble)) from None
        raise _damaged(source, str(trouble)) from None
    return version


def _brought_up(path: Path, source: Path) -> None:
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            migrate(connection)
    except sqlite3.Error as trouble:
        raise _damaged(source, str(trouble)) from None


def _proved(path: Path, source: Path, *, of_present_version: bool) -> tuple[int, int, int]:
    """Prove a copy whole; return its version, its surveys and its frames."""
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
            if verdict != "ok":
                raise _damaged(source, str(verdict))
            if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
                raise _damaged(source, "rows that belong to nothing")
            if of_present_version:
                found, needed = tables_of(connection), present_tables()
                if altered := [name for name, sql in needed.items() if found.get(name) != sql]:
                    raise _damaged(source, f"missing or altered tables: {', '.join(altered)}")
            surveys, frames = (
                int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
                for table in ("survey", "frame")
            )
            return version_of(connection), surveys, frames
    except (sqlite3.Error, UnicodeDecodeError) as trouble:
        raise _damaged(source, str(trouble)) from None


@contextmanager
def _temporary_beside(target: Path) -> Iterator[Path]:
    """Yield a new file's name in the target's folder; what is left of it goes in the end."""
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        # Private until it is whole: it may tell where somebody lives.
        os.close(os.open(temporary, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600))
        yield temporary
    except OSError as trouble:
        raise _cannot_write(target.parent, trouble.strerror or str(trouble)) from None
    finally:
        for tail in ("", "-wal", "-shm", "-journal"):
            with contextlib.suppress(OSError):
                Path(f"{temporary}{tail}").unlink(missing_ok=True)


@contextmanager
def _nobody_else_holds(journal: Path) -> Iterator[None]:
    """Hold a journal alone, its log played into it, while the context is open.

    A service keeps its journal open, and SQLite leaves the write-ahead log only for whoever is
    alone (sqlite.org/wal.html, section 3.3).
    """
    if not journal.exists():
        yield
        return
    held = DeviceError(
        f"the journal {journal} is in use, so nothing was restored",
        remedy="End the service (Ctrl-C in its terminal, or systemctl --user stop polewright) and "
        "whatever else reads the journal, then restore again.",
        code="journal_held",
    )
    connection = sqlite3.connect(journal, timeout=_HELD_AFTER_S, isolation_level=None)
    try:
        try:
            (mark,) = connection.execute("PRAGMA application_id").fetchone()
            if mark != APPLICATION_ID and tables_of(connection):
                raise NotAJournalError(
                    "it is another program's database",
                    "Name another folder in [journal] directory, or move the file away.",
                )
            connection.execute("PRAGMA journal_mode = DELETE").fetchone()
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as trouble:
            if primary_code(trouble) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise held from None
            # Broken beyond opening: what better reason to restore.
        except NotAJournalError as trouble:
            raise _not_a_journal(journal, trouble) from None
        yield
    finally:
        connection.close()


def _kept_aside(journal: Path, now: datetime) -> Path:
    """Give a journal a second name, so that there is one in its place at every instant."""
    aside = aside_name(journal, now, "before-restore")
    for tail in ("-wal", "-shm"):  # only where it is broken: a log that could not be played in
        log = Path(f"{journal}{tail}")
        if log.exists():
            log.rename(f"{aside}{tail}")
    try:
        os.link(journal, aside)
    except OSError:  # a file system that knows no links
        journal.rename(aside)
    return aside


def _to_disk(path: Path) -> None:
    """Let a file, or a folder's entries, reach the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _in_the_way(target: Path) -> UsageError:
    return UsageError(
        f"{target} is there already, and no backup is written over another file",
        remedy="Give the backup a name of its own, such as one with the date.",
        code="file_exists",
    )


def _cannot_write(folder: Path, why: str) -> UsageError:
    return UsageError(
        f"nothing can be written to {folder}: {why}",
        remedy="Name a folder that you may write to, with room for the journal.",
        code="cannot_write",
    )


def _not_a_journal(path: Path, trouble: NotAJournalError) -> UsageError:
    return UsageError(
        f"{path} cannot be used: {trouble.text}", remedy=trouble.remedy, code="not_a_journal"
    )


def _damaged(path: Path, why: str) -> MeasurementError:
    return MeasurementError(
        f"{path} is not whole ({why}); nothing was changed",
        remedy="Take another backup; check the disk or memory card.",
        code="journal_damaged",
    )
