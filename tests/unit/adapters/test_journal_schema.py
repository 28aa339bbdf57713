"""The journal's tables: every version finds its way up, and foreign files stay untouched."""

import hashlib
import sqlite3
from contextlib import closing
from dataclasses import fields, make_dataclass

import pytest

from polewright.adapters.journal.packing import pack
from polewright.adapters.journal.schema import (
    APPLICATION_ID,
    MIGRATIONS,
    NotAJournalError,
    migrate,
    present_tables,
    tables_of,
    version_of,
)
from polewright.adapters.journal.store import DamagedFileError, JournalStore
from polewright.core.axis.knobs import Bolt, Knob
from polewright.core.axis.stands import AxisSeen, Placed
from polewright.core.records import KnobRecord
from tests.unit.adapters.journal_records import NIGHT, frame_record, placement_record, survey_record


def _open(path):
    return closing(sqlite3.connect(path, isolation_level=None))


GAINED = ("mount", "camera", "scale_arcsec_px")


@pytest.fixture
def version_1(tmp_path):
    """A file as version 1 wrote it, with one survey of two frames."""
    path = tmp_path / "kudu.sqlite"
    frames = (frame_record(1), frame_record(2))
    survey = survey_record(7, frames)
    with _open(path) as connection:
        migrate(connection, MIGRATIONS[:1])
        assert version_of(connection) == 1
        run = connection.execute
        run("INSERT INTO evening VALUES (1, '2026-11-25T20:00:00+00:00', '0.1.0')")
        for number, frame in enumerate(frames, 1):
            run(
                "INSERT INTO frame VALUES (?, 1, ?, ?, 'Hoopoe', ?, 30, 6.4, 1.0, 'memory', ?)",
                (number, frame.key, "2026-11-25T20:00:00+00:00", f"frame {number}", pack(frame)),
            )
        run(
            "INSERT INTO survey VALUES (1, 1, '2026-11-25T20:07:01+00:00', 'stars', 'refracted', "
            "1.0, 0.1, 0.2, 0.3, 0.01, 'not_yet', 2, ?)",
            (_as_version_1_packed(survey),),
        )
        run("INSERT INTO survey_frame VALUES (1, 0, 1), (1, 1, 2)")
    return path


def _as_version_1_packed(survey):
    """Return a survey's bytes without the fields that it has gained since."""
    then = make_dataclass(
        "SurveyRecord",
        [field.name for field in fields(survey) if field.name not in GAINED],
    )
    return pack(then(*(getattr(survey, field.name) for field in fields(then))))


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


def test_version_1_is_brought_to_version_7_with_all_that_it_holds(version_1):
    store = JournalStore(version_1, now=lambda: NIGHT)
    survey = store.last_survey()
    lessons = store.lessons()
    store.close()
    assert survey is not None
    assert survey.mount == ""
    assert pack(survey) == pack(survey_record(7, (frame_record(1), frame_record(2))))
    assert (lessons.knobs, lessons.trains, lessons.brackets) == ((), (), ())
    assert lessons.pointings == ()
    ((mount, evidence),) = lessons.surveys
    assert mount == ""
    assert len(evidence.attitudes) == 2
    with _open(version_1) as connection:
        assert version_of(connection) == 7 == len(MIGRATIONS)
        gained = {"knob", "train", "bracket", "pointing", "placement", "notice"}
        assert gained <= set(tables_of(connection))
        assert tables_of(connection) == present_tables()
        assert connection.execute("SELECT count(*) FROM frame").fetchone() == (2,)


def test_version_2_keeps_what_it_learned_and_gains_the_brackets(version_1):
    with _open(version_1) as connection:
        migrate(connection, MIGRATIONS[:2])
        assert version_of(connection) == 2
        connection.execute(
            "INSERT INTO knob VALUES (1, 1, '2026-11-25T20:00:00+00:00', 'Kudu', 'altitude', "
            "30.0, 0.1, ?)",
            (pack(KnobRecord(at=NIGHT, mount="Kudu", bolt=Bolt.ALTITUDE, knob=Knob())),),
        )
    store = JournalStore(version_1, now=lambda: NIGHT)
    (knob,) = store.lessons().knobs
    store.close()
    assert knob.mount == "Kudu"
    with _open(version_1) as connection:
        assert version_of(connection) == len(MIGRATIONS)
        assert tables_of(connection) == present_tables()


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_a_file_of_every_version_gains_placements_and_keeps_its_survey(version_1, version):
    with _open(version_1) as connection:
        migrate(connection, MIGRATIONS[:version])
        assert version_of(connection) == version
    store = JournalStore(version_1, now=lambda: NIGHT)
    store.add_placement(placement_record("terrace"))
    placed, seen = sorted(store.axis_moments(""), key=lambda one: isinstance(one, AxisSeen))
    store.close()
    assert placed == Placed(at=NIGHT, name="terrace")
    assert seen.at == survey_record(7).committed_at
    with _open(version_1) as connection:
        plan = connection.execute(
            "EXPLAIN QUERY PLAN SELECT max(id) FROM live WHERE survey_id >= 1 GROUP BY survey_id"
        ).fetchall()
    assert "COVERING INDEX live_of_survey" in str(plan), "corrections are not read one by one"


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_a_survey_of_every_version_names_no_camera_and_is_read(version_1, version):
    with _open(version_1) as connection:
        migrate(connection, MIGRATIONS[:version])
    store = JournalStore(version_1, now=lambda: NIGHT)
    kept = store.last_survey()
    store.close()
    assert kept.estimate.chi2 == 7.0
    assert (kept.mount, kept.camera, kept.scale_arcsec_px) == ("", "", None)


def test_a_step_adds_to_what_is_there_and_is_done_once(version_1):
    later = (
        *MIGRATIONS,
        ("ALTER TABLE survey ADD COLUMN note TEXT NOT NULL DEFAULT ''",),
        ("CREATE TABLE weather (id INTEGER PRIMARY KEY, at TEXT NOT NULL) STRICT",),
    )
    with _open(version_1) as connection:
        assert migrate(connection, later) == 1
        assert version_of(connection) == len(later)
        assert connection.execute("SELECT id, note FROM survey").fetchall() == [(1, "")]
        assert "weather" in tables_of(connection)
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


def test_a_version_below_nothing_is_damage(version_1):
    """Two bytes turned in the file's head can say so."""
    with _open(version_1) as connection:
        connection.execute("PRAGMA user_version = -7")
    with pytest.raises(DamagedFileError, match="version is -7"):
        JournalStore(version_1, now=lambda: NIGHT)


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


@pytest.mark.parametrize(
    ("version", "digest"),
    [(1, "ea935ccba7d34a91"), (2, "b5f6e8a53b0aa1fe")],
)
def test_the_statements_of_a_released_step_are_the_same_to_the_letter(version, digest):
    """A file is refused as altered where its tables were made by other letters."""
    text = "\n".join(MIGRATIONS[version - 1])
    assert hashlib.sha256(text.encode()).hexdigest()[:16] == digest
