"""Backups taken while a journal is written, and put back: whole or not at all, nothing lost."""

import asyncio
import os
import random
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing

import pytest

from polewright.adapters.journal import schema
from polewright.adapters.journal.copies import back_up, restore
from polewright.adapters.journal.reading import open_reader
from polewright.adapters.journal.store import JournalStore
from polewright.adapters.journal.writing import SqliteJournal
from polewright.core.errors import DeviceError, MeasurementError, UsageError
from tests.unit.adapters.journal_records import NIGHT, frame_record, survey_record


def write(path, numbers):
    store = JournalStore(path, now=lambda: NIGHT)
    for number in numbers:
        frames = tuple(frame_record(10 * number + index) for index in range(3))
        store.commit_survey(survey_record(number, frames), frames)
    store.close()
    return path


def numbers_in(path):
    with open_reader(path) as reader:
        surveys = list(reader.surveys())
        assert all(None not in reader.frames_of(one.number) for one in surveys)
        return [int(survey.record.estimate.chi2) for survey in surveys]


@pytest.fixture
def journal(tmp_path):
    return write(tmp_path / "kudu.sqlite", (1, 2))


@pytest.fixture
def backup(journal, tmp_path):
    back_up(journal, tmp_path / "backup.sqlite")
    return tmp_path / "backup.sqlite"


def test_a_backup_is_one_file_that_reads_as_the_journal_does(journal, tmp_path):
    report = back_up(journal, tmp_path / "away" / "kudu-november.sqlite")
    assert (report.surveys, report.frames, report.set_aside) == (2, 6, None)
    assert report.bytes_written == report.path.stat().st_size
    assert [entry.name for entry in report.path.parent.iterdir()] == ["kudu-november.sqlite"]
    assert report.path.stat().st_mode & 0o077 == 0, "it tells where somebody lives"
    assert numbers_in(report.path) == [1, 2]


def test_a_backup_taken_while_surveys_are_written_holds_each_of_them_whole(tmp_path):
    path = write(tmp_path / "kudu.sqlite", (1,))
    enough, done = threading.Event(), []

    def go_on():
        store = JournalStore(path, now=lambda: NIGHT)
        for number in range(2, 400):
            frames = tuple(frame_record(10 * number + index) for index in range(3))
            store.add_frame(frames[0])
            store.commit_survey(survey_record(number, frames), frames)
            done.append(number)
            if enough.is_set():
                break
        store.close()

    writer = threading.Thread(target=go_on)
    writer.start()
    try:
        for count in range(8):
            before = len(done)
            report = back_up(path, tmp_path / f"backup-{count}.sqlite")
            after = len(done)
            kept = numbers_in(report.path)
            assert kept == list(range(1, len(kept) + 1))
            assert 1 + before <= len(kept) <= 2 + after
    finally:
        enough.set()
        writer.join()
    assert len(done) > 8, "the journal was really written meanwhile"


def test_no_backup_is_written_over_another_file(journal, tmp_path):
    target = tmp_path / "letter.txt"
    target.write_text("dear")
    with pytest.raises(UsageError) as caught:
        back_up(journal, target)
    assert caught.value.code == "file_exists"
    assert target.read_text() == "dear"


def test_a_restored_journal_is_the_backup_and_the_one_before_is_set_aside(
    journal, backup, tmp_path
):
    write(journal, (3,))
    report = restore(backup, journal, now=NIGHT)
    assert numbers_in(journal) == [1, 2]
    assert report.set_aside.name == "kudu.before-restore-20261125T200000Z.sqlite"
    assert numbers_in(report.set_aside) == [1, 2, 3]
    write(journal, (4,))
    again = restore(report.set_aside, journal, now=NIGHT)
    assert numbers_in(journal) == [1, 2, 3]
    assert again.set_aside.name == "kudu.before-restore-20261125T200000Z-2.sqlite"
    assert numbers_in(again.set_aside) == [1, 2, 4]
    assert numbers_in(backup) == [1, 2]
    assert not list(tmp_path.glob(".*"))


def test_a_backup_goes_where_there_was_no_journal(backup, tmp_path):
    report = restore(backup, tmp_path / "other machine" / "kudu.sqlite", now=NIGHT)
    assert report.set_aside is None
    assert numbers_in(report.path) == [1, 2]


async def test_nothing_is_restored_while_a_service_holds_the_journal(journal, backup):
    async with SqliteJournal(journal) as service:
        assert await service.last_survey() is not None
        with pytest.raises(DeviceError) as caught:
            await asyncio.to_thread(restore, backup, journal, now=NIGHT)
        assert caught.value.code == "journal_held"
        frames = (frame_record(91), frame_record(92))
        assert await service.commit_survey(survey_record(9, frames), frames) is None
    assert numbers_in(journal) == [1, 2, 9]
    restore(backup, journal, now=NIGHT)
    assert numbers_in(journal) == [1, 2]


def test_a_damaged_journal_is_set_aside_with_its_log_when_a_backup_is_put_back(
    journal, backup, tmp_path
):
    journal.write_bytes(b"nothing that anybody can read" * 100)
    (tmp_path / "kudu.sqlite-wal").write_bytes(b"its log")
    report = restore(backup, journal, now=NIGHT)
    assert numbers_in(journal) == [1, 2]
    assert report.set_aside.read_bytes().startswith(b"nothing")
    assert not (tmp_path / "kudu.sqlite-wal").exists(), "it would be played into the new one"


def _cut(path):
    path.write_bytes(path.read_bytes()[:-5000])


def _scribbled(path):
    data = bytearray(path.read_bytes())
    data[8192:8400] = os.urandom(208)
    path.write_bytes(data)


def _table_gone(path):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DROP TABLE survey_frame")


def _text(path):
    path.write_text("no database")


def _empty(path):
    path.write_bytes(b"")


def _foreign(path):
    path.unlink()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")


def _newer(path):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA user_version = 99")


@pytest.mark.parametrize(
    ("spoil", "code"),
    [(_cut, "journal_damaged"), (_scribbled, "journal_damaged"), (_table_gone, "journal_damaged"),
     (_text, "journal_damaged"), (_empty, "not_a_journal"), (_foreign, "not_a_journal"),
     (_newer, "not_a_journal")],
)  # fmt: skip
def test_a_backup_that_is_none_changes_nothing(journal, backup, tmp_path, spoil, code):
    spoil(backup)
    before = sorted(tmp_path.iterdir())
    with pytest.raises((MeasurementError, UsageError)) as caught:
        restore(backup, journal, now=NIGHT)
    assert caught.value.code == code
    assert numbers_in(journal) == [1, 2]
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("version", range(1, len(schema.MIGRATIONS)))
def test_a_backup_of_every_earlier_version_is_brought_up(tmp_path, version):
    backup = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
        schema.migrate(connection, schema.MIGRATIONS[:version])
    report = restore(backup, tmp_path / "kudu.sqlite", now=NIGHT)
    assert report.version == version
    assert numbers_in(report.path) == []
    with closing(sqlite3.connect(backup)) as connection:
        assert schema.version_of(connection) == version, "the backup stays as it is"


def test_another_programs_file_in_the_journals_place_is_left_alone(journal, backup):
    _foreign(journal)
    before = journal.read_bytes()
    with pytest.raises(UsageError) as caught:
        restore(backup, journal, now=NIGHT)
    assert caught.value.code == "not_a_journal"
    assert journal.read_bytes() == before


def test_a_journal_is_not_restored_from_itself(journal):
    with pytest.raises(UsageError) as caught:
        restore(journal, journal, now=NIGHT)
    assert caught.value.code == "same_file"


def test_a_file_that_is_not_there_and_a_folder_that_takes_nothing(journal, tmp_path):
    (tmp_path / "file").write_text("no folder")
    nowhere = tmp_path / "file" / "kudu.sqlite"
    with pytest.raises(UsageError) as caught:
        back_up(journal, nowhere)
    assert caught.value.code == "cannot_write"
    with pytest.raises(UsageError) as caught:
        restore(journal, nowhere, now=NIGHT)
    assert caught.value.code == "cannot_write"
    with pytest.raises(UsageError) as caught:
        restore(tmp_path / "none.sqlite", journal, now=NIGHT)
    assert caught.value.code == "no_journal"


@pytest.mark.timeout(120)
def test_a_kill_at_any_instant_leaves_the_old_journal_or_the_new_one(journal, tmp_path):
    """Both backups by turns; what stands there afterwards is one of them, whole."""
    one = write(tmp_path / "one.sqlite", (1, 2, 3))
    other = write(tmp_path / "other.sqlite", (4, 5))
    moments = random.Random(20261125)
    seen, restored = set(), 0
    with subprocess.Popen(
        [sys.executable, "-m", "tests.unit.adapters.journal_restoring"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as nursery:  # fmt: skip
        for _ in range(25):
            line = f"{journal}\t{one}\t{other}\t{moments.uniform(0.0, 0.15):.6f}\n"
            nursery.stdin.write(line)
            nursery.stdin.flush()
            restored += int(nursery.stdout.readline())
            seen.add(tuple(numbers_in(journal)))
            for aside in tmp_path.glob("kudu.before-restore-*"):
                assert tuple(numbers_in(aside)) in {(1, 2), (1, 2, 3), (4, 5)}
                aside.unlink()
        nursery.stdin.close()
    assert seen == {(1, 2, 3), (4, 5)}
    assert restored >= 25
    with closing(sqlite3.connect(journal)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    sys.stdout.write(f"{restored} restored before 25 kills, the journal whole each time\n")
