"""The journal's tables: every version finds its way up, and foreign files stay untouched."""

import sqlite3
from contextlib import closing

import pytest

from polewright.adapters.journal.schema import (
    APPLICATION_ID,
    MIGRATIONS,
    NotAJournalError,
    migrate,
    present_tables,
    tables_of,
    version_of,
)
from polewright.adapters.journal.store import JournalStore
from tests.unit.adapters.journal_records import NIGHT, frame_record, survey_record


def _open(path):
    return closing(sqlite3.connect(path, isolation_level=None))


@pytest.fixture
def version_1(tmp_path):
    """A file as version 1 wrote it, with one survey of two frames."""
    path = tmp_path / "kudu.sqlite"
    with _open(path) as connection:
        migrate(connection, MIGRATIONS[:1])
        assert version_of(connection) == 1
    store = JournalStore(path, now=lambda: NIGHT)
    frames = (frame_record(1), frame_record(2))
    store.commit_survey(survey_record(7, frames), frames)
    store.close()
    return path


def test_a_new_file_gets_all_tables_and_the_marks(tmp_path):
    with _open(tmp_path / "new.sqlite") as connection:
        assert migrate(connection) == 0
        assert tables_of(connection) == present_tables()
        assert version_of(connection) == len(MIGRATIONS)
        (mark,) = connection.execute("PRAGMA application_id").fetchone()
        assert mark == APPLICATION_ID


def test_a_file_of_version_1_is_read_by_the_present_version(version_1):
    store = JournalStore(version_1, now=lambda: NIGHT)
    survey = store.last_survey()
    store.close()
    assert survey is not None
    assert survey.estimate.chi2 == 7.0


def test_a_step_adds_to_what_is_there_and_is_done_once(version_1):
    later = (
        *MIGRATIONS,
        ("ALTER TABLE survey ADD COLUMN note TEXT NOT NULL DEFAULT ''",),
        ("CREATE TABLE placement (id INTEGER PRIMARY KEY, at TEXT NOT NULL) STRICT",),
    )
    with _open(version_1) as connection:
        assert migrate(connection, later) == len(MIGRATIONS)
        assert version_of(connection) == len(later)
        assert connection.execute("SELECT id, note FROM survey").fetchall() == [(1, "")]
        assert "placement" in tables_of(connection)
        assert migrate(connection, later) == len(later)


def test_a_step_that_fails_leaves_the_version_before_it_whole(version_1):
    broken = (
        *MIGRATIONS,
        ("ALTER TABLE survey ADD COLUMN note TEXT", "INSERT INTO no_such_table VALUES (1)"),
    )
    with _open(version_1) as connection:
        with pytest.raises(sqlite3.OperationalError, match="no_such_table"):
            migrate(connection, broken)
        assert version_of(connection) == len(MIGRATIONS)
        columns = [row[1] for row in connection.execute("PRAGMA table_info(survey)")]
        assert "note" not in columns
        assert not connection.in_transaction
    store = JournalStore(version_1, now=lambda: NIGHT)
    assert store.last_survey() is not None
    store.close()


def test_a_newer_versions_file_is_left_as_it_is(version_1):
    with _open(version_1) as connection:
        connection.execute("PRAGMA user_version = 99")
    before = version_1.read_bytes()
    with pytest.raises(NotAJournalError, match="newer"):
        JournalStore(version_1, now=lambda: NIGHT)
    assert version_1.read_bytes() == before


def test_another_programs_database_is_left_as_it_is(tmp_path):
    path = tmp_path / "kudu.sqlite"
    with _open(path) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(NotAJournalError, match="another program"):
        JournalStore(path, now=lambda: NIGHT)
    assert path.read_bytes() == before


def test_released_steps_are_never_changed():
    """Version 1 stands in people's files: a change of it is a new step, not an edit."""
    with _open(":memory:") as connection:
        migrate(connection, MIGRATIONS[:1])
        columns = {
            table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            for table in tables_of(connection)
        }
    figures = [
        "altitude_error_arcmin", "azimuth_error_arcmin", "total_error_arcmin",
        "total_error_sigma_arcmin", "verdict",
    ]  # fmt: skip
    assert columns == {
        "evening": ["id", "started_at", "software"],
        "frame": [
            "id", "evening_id", "key", "instant", "camera", "label", "matched_stars",
            "scale_arcsec_px", "rms_arcsec", "solver", "record",
        ],
        "survey": [
            "id", "evening_id", "committed_at", "method", "target_pole", "tolerance_arcmin",
            *figures, "frames", "record",
        ],
        "survey_frame": ["survey_id", "position", "frame_id"],
        "live": [
            "id", "evening_id", "survey_id", "frame_id", "at", "sequence", *figures, "record",
        ],
        "transition": ["id", "evening_id", "at", "before", "after", "happening", "code"],
    }  # fmt: skip
