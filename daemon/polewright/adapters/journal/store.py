"""Store: one open journal file, for one thread; it waits for the disk."""

import logging
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from polewright import __version__
from polewright.adapters.journal.lessons import read_lessons
from polewright.adapters.journal.moments import read_moments
from polewright.adapters.journal.packing import DamagedRecordError, pack, unpack
from polewright.adapters.journal.schema import migrate, present_tables, tables_of, version_of
from polewright.core.axis.stands import Moment
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, altaz_from_enu
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

# Another process (the command line reading, a second service) may hold the file this long (s).
BUSY_S = 2.0
# Larger files are not read through when they are opened (bytes): a memory card reads some 20 MB
# a second, and a damaged page is found when it is used.
_CHECKED_UP_TO_BYTES = 200_000_000
# Damaged records of the newest surveys are passed over, this many at most.
_MOST_PASSED_OVER = 50

# Placements are judged by this many surveys at most, some years of evenings: reading them takes a
# small computer a second.
MOST_SURVEYS_LOOKED_BACK = 500

# Pages of the file that are kept in memory (KiB).  The journal appends, and never reads what it
# wrote; SQLite's usual 2000 would fill up over hours and look like a leak.
CACHE_KIB = 512

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


class DamagedFileError(ValueError):
    """A file that is no readable database any more."""


def is_damage(trouble: BaseException) -> bool:
    """Return whether an error says that the file itself is broken."""
    if isinstance(trouble, DamagedFileError | UnicodeDecodeError):
        return True
    if not isinstance(trouble, sqlite3.DatabaseError):
        return False
    code = primary_code(trouble)
    if code is None:  # the binding's own: a text that is none
        return "decode" in str(trouble)
    return code in _DAMAGE


def primary_code(trouble: BaseException) -> int | None:
    """Return SQLite's primary result code of an error; None where it is not SQLite's."""
    code = getattr(trouble, "sqlite_errorcode", None)
    return code & 255 if isinstance(code, int) else None


class JournalStore:
    """One open journal.

    Parameters
    ----------
    path : Path
        The file; it and its folder are made where missing.
    now : callable
        The aware UTC instant.

    Raises
    ------
    DamagedFileError, sqlite3.Error, OSError
        It cannot be used; :func:`is_damage` tells a broken file from a passing trouble.
    NotAJournalError
        It is somebody else's, or a newer version's.
    """

    def __init__(self, path: Path, *, now: Callable[[], datetime]) -> None:
        self.path = path
        self._now = now
        self._evening_id: int | None = None
        path.parent.mkdir(parents=True, exist_ok=True)
        _check_head(path)
        self._connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            self._prepare()
            self._inode = os.stat(path).st_ino
        except sqlite3.OperationalError as trouble:
            self._connection.close()
            if primary_code(trouble) == sqlite3.SQLITE_ERROR:  # tables beyond reading
                raise DamagedFileError(str(trouble)) from trouble
            raise
        except BaseException:
            self._connection.close()
            raise

    def _prepare(self) -> None:
        run = self._connection.execute
        run("PRAGMA trusted_schema = OFF")
        run("PRAGMA foreign_keys = ON")
        run(f"PRAGMA cache_size = -{CACHE_KIB}")
        if self.path.stat().st_size <= _CHECKED_UP_TO_BYTES:
            (verdict,) = run("PRAGMA quick_check(1)").fetchone()
            if verdict != "ok":
                raise DamagedFileError(verdict)
        if (version := version_of(self._connection)) < 0:
            raise DamagedFileError(f"its version is {version}")
        migrate(self._connection)
        found = tables_of(self._connection)
        if altered := [name for name, sql in present_tables().items() if found.get(name) != sql]:
            raise DamagedFileError(f"missing or altered tables: {', '.join(altered)}")
        run("PRAGMA journal_mode = WAL")
        run("PRAGMA synchronous = NORMAL")

    def close(self) -> None:
        """Close the file; what was written stays."""
        self._connection.close()

    @property
    def in_place(self) -> bool:
        """False where the file was moved away or deleted under this connection."""
        try:
            return os.stat(self.path).st_ino == self._inode
        except FileNotFoundError:
            return False

    def add_frame(self, frame: FrameRecord) -> None:
        """Write one frame."""
        with self._transaction():
            self._insert_frame(frame)

    def add_live(self, live: LiveRecord) -> None:
        """Write one live correction, bound to its frame and to the last survey."""
        figures = live.correction
        with self._transaction() as run:
            frame_id = self._frame_id(live.frame_key)
            run(
                "INSERT INTO live (evening_id, survey_id, frame_id, at, sequence, "
                "altitude_error_arcmin, azimuth_error_arcmin, total_error_arcmin, "
                "total_error_sigma_arcmin, verdict, record) "
                "VALUES (?, (SELECT max(id) FROM survey), ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), frame_id, live.at.isoformat(), live.sequence,
                    figures.altitude_error_arcmin, figures.azimuth_error_arcmin,
                    figures.total_error_arcmin, figures.total_error_sigma_arcmin,
                    figures.verdict.value, pack(live),
                ),
            )  # fmt: skip

    def add_transition(self, transition: TransitionRecord) -> None:
        """Write one change of what the service is doing, and all before it, down to the disk."""
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO transition (evening_id, at, before, after, happening, code) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), transition.at.isoformat(), transition.before,
                    transition.after, transition.happening, transition.code,
                ),
            )  # fmt: skip

    def add_notice(self, notice: NoticeRecord) -> None:
        """Write one event."""
        with self._transaction() as run:
            run(
                "INSERT INTO notice (evening_id, at, level, code, text) VALUES (?, ?, ?, ?, ?)",
                (
                    self._evening(), notice.at.isoformat(), notice.level, notice.code,
                    notice.text,
                ),
            )  # fmt: skip

    def commit_survey(self, survey: SurveyRecord, frames: Sequence[FrameRecord]) -> int:
        """Write a survey with its frames, all or nothing, down to the disk; return its number."""
        figures = survey.correction
        with self._synced(), self._transaction() as run:
            for frame in frames:
                self._insert_frame(frame)
            number = run(
                "INSERT INTO survey (evening_id, committed_at, method, target_pole, "
                "tolerance_arcmin, altitude_error_arcmin, azimuth_error_arcmin, "
                "total_error_arcmin, total_error_sigma_arcmin, verdict, frames, record) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), survey.committed_at.isoformat(),
                    survey.estimate.method.value, survey.target_pole,
                    figures.tolerance_arcmin, figures.altitude_error_arcmin,
                    figures.azimuth_error_arcmin, figures.total_error_arcmin,
                    figures.total_error_sigma_arcmin, figures.verdict.value,
                    survey.estimate.frames, pack(survey),
                ),
            ).lastrowid  # fmt: skip
            assert number is not None
            for position, key in enumerate(survey.frame_keys):
                run(
                    "INSERT INTO survey_frame (survey_id, position, frame_id) VALUES (?, ?, ?)",
                    (number, position, self._frame_id(key)),
                )
        return number

    def add_knob(self, record: KnobRecord) -> None:
        """Write what is known of a knob."""
        knob = record.knob
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO knob (evening_id, at, mount, bolt, arcmin_per_turn, slack_turns, "
                "record) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), record.at.isoformat(), record.mount, record.bolt.value,
                    None if knob.gain_rad is None else knob.gain_rad / ARCMIN_RAD,
                    knob.slack_turns, pack(record),
                ),
            )  # fmt: skip

    def add_train(self, record: TrainRecord) -> None:
        """Write what is known of an optical train."""
        key = record.key
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO train (evening_id, at, camera, width_px, height_px, pixel_size_um, "
                "scale_arcsec_px, record) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), record.at.isoformat(), key.camera, key.width_px,
                    key.height_px, key.pixel_size_um, record.train.scale_arcsec_px, pack(record),
                ),
            )  # fmt: skip

    def add_bracket(self, record: BracketRecord) -> None:
        """Write what a survey taught of a bracket."""
        said_altitude, _ = altaz_from_enu(record.said.axis_enu)
        altitude, _ = altaz_from_enu(record.axis_enu)
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO bracket (evening_id, at, mount, bracket, altitude_off_arcmin, record) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), record.at.isoformat(), record.mount, record.bracket,
                    (said_altitude - altitude) / ARCMIN_RAD, pack(record),
                ),
            )  # fmt: skip

    def add_pointing(self, record: PointingRecord) -> None:
        """Write what a star alignment found."""
        terms = record.terms
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO pointing (evening_id, at, mount, camera, cone_arcsec, "
                "non_perpendicularity_arcsec, goto_arcsec, record) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), record.at.isoformat(), record.mount, record.camera,
                    terms.cone_rad / ARCSEC_RAD, terms.non_perpendicularity_rad / ARCSEC_RAD,
                    record.goto_arcsec, pack(record),
                ),
            )  # fmt: skip

    def add_placement(self, record: PlacementRecord) -> None:
        """Write what was said of where the feet stand."""
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO placement (evening_id, at, mount, name, new_marks, bolts_turned, "
                "record) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    self._evening(), record.at.isoformat(), record.mount, record.name,
                    record.new_marks, record.bolts_turned, pack(record),
                ),
            )  # fmt: skip

    def add_plan(self, record: PlanRecord) -> None:
        """Write what was asked for as the evening's plan."""
        with self._synced(), self._transaction() as run:
            run(
                "INSERT INTO plan (evening_id, at, cleared, record) VALUES (?, ?, ?, ?)",
                (self._evening(), record.at.isoformat(), record.asked is None, pack(record)),
            )

    def last_plan(self) -> PlanRecord | None:
        """Return what was asked for last; nothing where that is damaged: an older plan is over."""
        newest = "SELECT record FROM plan ORDER BY id DESC LIMIT 1"
        row = self._connection.execute(newest).fetchone()
        if row is None:
            return None
        try:
            return unpack(PlanRecord, row[0])
        except DamagedRecordError as trouble:
            _log.warning("the plan in the journal is damaged, passed over: %s", trouble)
            return None

    def axis_moments(self, mount: str) -> tuple[Moment, ...]:
        """Return what happened to a mount's axis lately."""
        return read_moments(self._connection, most_surveys=MOST_SURVEYS_LOOKED_BACK).get(mount, ())

    def lessons(self) -> Lessons:
        """Return what the mount and the optics taught."""
        return read_lessons(self._connection)

    def last_survey(self) -> SurveyRecord | None:
        """Return the newest committed survey that is whole."""
        rows = self._connection.execute(
            "SELECT id, record FROM survey ORDER BY id DESC LIMIT ?", (_MOST_PASSED_OVER,)
        )
        for number, data in rows:
            try:
                return unpack(SurveyRecord, data)
            except DamagedRecordError as trouble:
                _log.warning(
                    "survey %d in the journal is damaged, passed over: %s", number, trouble
                )
        return None

    def _insert_frame(self, frame: FrameRecord) -> None:
        attitude = frame.attitude
        self._connection.execute(
            "INSERT INTO frame (evening_id, key, instant, camera, label, matched_stars, "
            "scale_arcsec_px, rms_arcsec, solver, record) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (key) DO NOTHING",
            (
                self._evening(), frame.key, frame.observed.instant.isoformat(), frame.camera,
                frame.observed.label, attitude.matched, attitude.scale_arcsec_px,
                attitude.rms_arcsec, attitude.solver, pack(frame),
            ),
        )  # fmt: skip

    def _frame_id(self, key: str) -> int | None:
        row = self._connection.execute("SELECT id FROM frame WHERE key = ?", (key,)).fetchone()
        return None if row is None else int(row[0])

    def _evening(self) -> int:
        """Return this evening's row, made when there is something to write."""
        if self._evening_id is None:
            self._evening_id = self._connection.execute(
                "INSERT INTO evening (started_at, software) VALUES (?, ?)",
                (self._now().isoformat(), __version__),
            ).lastrowid
        assert self._evening_id is not None
        return self._evening_id

    @contextmanager
    def _synced(self) -> Iterator[None]:
        """Let what is committed inside, and the log before it, reach the disk at once."""
        self._connection.execute("PRAGMA synchronous = FULL")
        try:
            yield
        finally:
            self._connection.execute("PRAGMA synchronous = NORMAL")

    @contextmanager
    def _transaction(self) -> Iterator[Callable[..., sqlite3.Cursor]]:
        evening_before = self._evening_id
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield self._connection.execute
            self._connection.execute("COMMIT")
        except BaseException:
            self._evening_id = evening_before  # its row goes with the rest
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise


def _check_head(path: Path) -> None:
    """Refuse a head that SQLite would take for a file that may not be written.

    Bytes 18 and 19 of the file format are 1 or 2 (sqlite.org/fileformat2.html, section 1.3.3).
    """
    if path.is_dir():
        raise DamagedFileError("a folder stands in its place")
    if path.is_file():
        with path.open("rb") as file:
            head = file.read(20)
        if head and (len(head) < 20 or not {head[18], head[19]} <= {1, 2}):
            raise DamagedFileError("its head is not a database's")


def set_aside(path: Path, at: datetime) -> Path:
    """Rename a damaged journal and what belongs to it; nothing is deleted.

    Returns
    -------
    Path
        Its new name.
    """
    target = aside_name(path, at, "damaged")
    # The log first: left beside a new file it would be played into it.
    for tail in ("-wal", "-shm", ""):
        source = Path(f"{path}{tail}")
        if source.exists():
            source.rename(f"{target}{tail}")
    return target


def aside_name(path: Path, at: datetime, why: str) -> Path:
    """Return a name beside a journal that no file has yet."""
    name = f"{path.stem}.{why}-{at.strftime('%Y%m%dT%H%M%SZ')}"
    target = path.with_name(f"{name}{path.suffix}")
    count = 1
    while target.exists():
        count += 1
        target = path.with_name(f"{name}-{count}{path.suffix}")
    return target
