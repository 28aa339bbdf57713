"""The journal while it is written: it keeps what it can, says what it cannot, and never blocks."""

import asyncio
import contextlib
import json
import logging
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing

import numpy as np
import pytest

from polewright.adapters.journal.packing import pack
from polewright.adapters.journal.reading import open_reader
from polewright.adapters.journal.store import BUSY_S
from polewright.adapters.journal.writing import MOST_QUEUED, MOST_SET_ASIDE, SqliteJournal
from polewright.core.errors import MeasurementError, UsageError
from tests.unit.adapters.journal_records import (
    NIGHT,
    frame_record,
    live_record,
    survey_record,
    transition_record,
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "state" / "kudu.sqlite"


def journal_of(path, told=None) -> SqliteJournal:
    on_trouble = None if told is None else lambda trouble: told.append(trouble.code)
    return SqliteJournal(path, now=lambda: NIGHT, on_trouble=on_trouble)


async def commit(journal, *numbers):
    for number in numbers:
        frames = tuple(frame_record(10 * number + index) for index in range(3))
        trouble = await journal.commit_survey(survey_record(number, frames), frames)
        if trouble is not None:
            return trouble
    return None


async def last_chi2(path) -> float | None:
    async with journal_of(path) as journal:
        survey = await journal.last_survey()
    return None if survey is None else survey.estimate.chi2


async def test_the_last_committed_survey_comes_back_bit_for_bit(path):
    async with journal_of(path) as journal:
        assert await journal.last_survey() is None
        assert await commit(journal, 1, 2, 3) is None
        frames = tuple(frame_record(30 + index) for index in range(3))
        survey = await journal.last_survey()
        assert pack(survey) == pack(survey_record(3, frames))
        assert journal.trouble is None
    assert await last_chi2(path) == 3.0


async def test_the_last_survey_is_the_last_committed_whatever_the_clock_says(path):
    """A small computer without a battery wakes up in the past."""
    async with journal_of(path) as journal:
        await commit(journal, 9, 2)
    assert await last_chi2(path) == 2.0


async def test_frames_that_were_queued_are_kept_at_the_end(path):
    async with journal_of(path) as journal:
        for number in range(50):
            journal.record_frame(frame_record(number))
            journal.record_live(live_record(number))
            journal.record_transition(transition_record(number))
    with open_reader(path) as reader:
        frames = list(reader.frames())
    assert [pack(frame) for frame in frames] == [pack(frame_record(n)) for n in range(50)]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM live WHERE frame_id > 0").fetchone() == (
            50,
        )
        assert connection.execute("SELECT count(*) FROM transition").fetchone() == (50,)
        assert connection.execute("SELECT count(*) FROM evening").fetchone() == (1,)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


async def test_a_frame_that_is_recorded_and_committed_is_kept_once(path):
    async with journal_of(path) as journal:
        for index in range(3):
            journal.record_frame(frame_record(10 + index))
        await commit(journal, 1)
    with open_reader(path) as reader:
        assert len(list(reader.frames())) == 3
        assert len(reader.frames_of(1)) == 3


async def test_a_question_is_answered_after_all_that_was_queued_before_it(path):
    async with journal_of(path) as journal:
        for number in range(20):
            journal.record_frame(frame_record(number))
        await journal.last_survey()
        with open_reader(path) as reader:
            assert len(list(reader.frames())) == 20


async def test_a_reader_sees_committed_surveys_while_the_service_writes(path):
    async with journal_of(path) as journal:
        await commit(journal, 1)
        seen = []
        for number in range(2, 12):
            for index in range(20):
                journal.record_frame(frame_record(1000 * number + index))
            await commit(journal, number)
            with open_reader(path) as reader:
                kept = list(reader.surveys())
                assert all(survey.record is not None for survey in kept)
                seen.append(len(kept))
        assert seen == list(range(2, 12))


async def test_a_reader_that_lingers_does_not_hold_up_the_writer(path):
    async with journal_of(path) as journal:
        await commit(journal, 1)
        with open_reader(path) as reader:
            surveys = reader.surveys()
            next(surveys)
            started = time.monotonic()
            assert await commit(journal, 2) is None
            assert time.monotonic() - started < BUSY_S


async def test_recording_does_not_wait_for_a_file_that_another_program_holds(path, caplog):
    told: list[str] = []
    async with journal_of(path, told) as journal:
        await commit(journal, 1)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            started = time.monotonic()
            for number in range(100, 200):
                journal.record_frame(frame_record(number))
            assert time.monotonic() - started < 1.0
            trouble = await commit(journal, 2)
            assert trouble is not None
            assert trouble.code == "journal_locked"
            assert journal.trouble is trouble or journal.trouble.code == "journal_locked"
            other.execute("ROLLBACK")
        assert await commit(journal, 3) is None
        assert journal.trouble is None
        assert journal.lost >= 1
    assert told == ["journal_locked"]
    warnings = [record for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(warnings) == 1
    with open_reader(path) as reader:
        kept = [survey.record.estimate.chi2 for survey in reader.surveys()]
    assert kept == [1.0, 2.0, 3.0], "the survey that was refused is made up for, in order"


async def test_a_loop_that_records_is_never_held_up(path):
    """The longest pause of the event loop while a thousand frames are queued."""
    async with journal_of(path) as journal:
        frames = [frame_record(number, stars=60) for number in range(500)]
        longest = 0.0
        for frame in frames:
            started = time.perf_counter()
            journal.record_frame(frame)
            longest = max(longest, time.perf_counter() - started)
            await asyncio.sleep(0)
        assert longest < 0.1
        assert journal.lost == 0


async def test_a_disk_that_does_not_answer_costs_frames_not_memory_and_no_survey(path):
    told: list[str] = []
    journal = SqliteJournal(
        path, on_trouble=lambda trouble: told.append(trouble.code), commit_timeout_s=0.3
    )
    answers, asked = threading.Event(), threading.Event()

    def hang(_store):
        asked.set()
        answers.wait(10.0)

    async with journal:
        asking = asyncio.ensure_future(journal._ask(hang, 10.0))
        await asyncio.to_thread(asked.wait, 5.0)
        frame = frame_record(1)
        for _ in range(MOST_QUEUED + 50):
            journal.record_frame(frame)
        started = time.monotonic()
        trouble = await commit(journal, 1)
        assert 0.2 < time.monotonic() - started < 1.0
        assert trouble is not None
        assert trouble.code == "journal_slow"
        assert journal.lost == 50
        answers.set()
        await asking
    assert told == ["journal_slow"]
    assert await last_chi2(path) == 1.0, "told as late, and yet kept"


async def test_a_folder_that_cannot_be_made_is_told_once_and_measuring_goes_on(tmp_path, caplog):
    (tmp_path / "state").write_text("in the way")
    told: list[str] = []
    async with journal_of(tmp_path / "state" / "kudu.sqlite", told) as journal:
        assert await journal.last_survey() is None
        for number in range(10):
            journal.record_frame(frame_record(number))
        assert (await commit(journal, 1)) is not None
        assert journal.trouble is not None
        assert journal.trouble.remedy
    assert len(told) == 1
    assert sum(record.levelno >= logging.WARNING for record in caplog.records) == 1


async def test_what_a_failing_disk_refused_is_made_up_for_when_it_works_again(tmp_path):
    folder = tmp_path / "state"
    folder.write_text("in the way")
    async with journal_of(folder / "kudu.sqlite") as journal:
        assert (await commit(journal, 1)) is not None
        assert (await commit(journal, 2)) is not None
        folder.unlink()
        assert await commit(journal, 3) is None
    with open_reader(folder / "kudu.sqlite") as reader:
        assert [survey.record.estimate.chi2 for survey in reader.surveys()] == [1.0, 2.0, 3.0]


@pytest.mark.parametrize("damage", ["text", "zeros", "head", "middle", "table", "cut"])
async def test_a_damaged_file_is_set_aside_and_a_new_one_begun(path, damage):
    async with journal_of(path) as journal:
        await commit(journal, *range(1, 9))
    whole = path.read_bytes()
    broken = _damaged(path, whole, damage)
    told: list[str] = []
    async with journal_of(path, told) as journal:
        assert await journal.last_survey() is None
        assert await commit(journal, 5) is None
        assert journal.trouble is None
    assert told == ["journal_set_aside"]
    aside = path.with_name("kudu.damaged-20261125T200000Z.sqlite")
    assert aside.read_bytes() == broken
    assert await last_chi2(path) == 5.0


def _damaged(path, whole: bytes, damage: str) -> bytes:
    if damage == "table":
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("DROP TABLE live")
        return path.read_bytes()
    broken = {
        "text": b"this was a journal once\n" * 100,
        "zeros": bytes(len(whole)),
        "head": b"\xff" * 100 + whole[100:],
        "middle": whole[:4096] + b"\xa5" * 12288 + whole[16384:],
        "cut": whole[: len(whole) // 2],
    }[damage]
    path.write_bytes(broken)
    return broken


async def test_two_damaged_files_of_one_second_are_both_kept(path):
    path.parent.mkdir()
    for text in (b"first" * 200, b"second" * 200):
        path.write_bytes(text)
        async with journal_of(path) as journal:
            await commit(journal, 1)
        path.unlink()
    kept = sorted(path.parent.glob("kudu.damaged-*"))
    assert [file.read_bytes()[:5] for file in kept] == [b"secon", b"first"]


async def test_a_file_that_breaks_while_it_is_used_is_set_aside_at_the_latest_next_time(path):
    told: list[str] = []
    async with journal_of(path, told) as journal:
        await commit(journal, *range(1, 9))
        for tail in ("", "-wal"):
            file = path.with_name(path.name + tail)
            with file.open("r+b") as raw:
                raw.write(b"\xa5" * file.stat().st_size)
        for number in range(9, 12):
            journal.record_frame(frame_record(1000 + number))
            await commit(journal, number)
    async with journal_of(path, told) as journal:
        assert await journal.last_survey() is None
        assert await commit(journal, 20) is None
    assert "journal_set_aside" in told
    assert list(path.parent.glob("kudu.damaged-*"))
    assert await last_chi2(path) == 20.0


async def test_a_disk_that_breaks_file_after_file_does_not_fill_the_folder(path):
    told: list[str] = []
    async with journal_of(path, told) as journal:
        for number in range(MOST_SET_ASIDE + 3):
            await commit(journal, number)
            path.unlink()
            path.write_bytes(b"not a database at all" * 50)
        trouble = await commit(journal, 50)
        assert trouble is not None
        assert journal.trouble is not None
    assert len(list(path.parent.glob("kudu.damaged-*[0-9Z].sqlite"))) == MOST_SET_ASIDE


async def test_a_file_that_is_moved_away_is_begun_anew(path):
    async with journal_of(path) as journal:
        await commit(journal, 1)
        path.rename(path.with_name("moved.sqlite"))
        assert await commit(journal, 2) is None
    assert await last_chi2(path) == 2.0


async def test_a_damaged_record_is_passed_over_for_the_survey_before_it(path, caplog):
    async with journal_of(path) as journal:
        await commit(journal, 1, 2, 3)
    with closing(sqlite3.connect(path)) as connection, connection:
        (data,) = connection.execute("SELECT record FROM survey WHERE id = 3").fetchone()
        altered = bytearray(data)
        altered[len(altered) // 2] ^= 1
        connection.execute("UPDATE survey SET record = ? WHERE id = 3", (bytes(altered),))
    assert await last_chi2(path) == 2.0
    assert "survey 3 in the journal is damaged" in caplog.text


async def test_anothers_database_is_not_touched_and_is_told(path):
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    told: list[str] = []
    async with journal_of(path, told) as journal:
        trouble = await commit(journal, 1)
        assert trouble is not None
        assert "another program" in trouble.text
    assert told == ["journal_foreign"]
    assert path.read_bytes() == before
    with pytest.raises(UsageError, match="another program"), open_reader(path):
        pass


async def test_a_log_torn_at_any_place_gives_whole_surveys(path, tmp_path):
    """A power cut: the file as it was, the log cut anywhere or its end overwritten."""
    async with journal_of(path) as journal:
        await commit(journal, *range(1, 9))
        main = path.read_bytes()
        log = path.with_name("kudu.sqlite-wal").read_bytes()
    rng = np.random.default_rng(5)
    found = set()
    for trial in range(40):
        copy = tmp_path / f"copy-{trial}.sqlite"
        copy.write_bytes(main)
        cut = int(rng.integers(0, len(log)))
        torn = log[:cut] + (rng.bytes(len(log) - cut) if trial % 2 else b"")
        copy.with_name(copy.name + "-wal").write_bytes(torn)
        chi2 = await last_chi2(copy)
        found.add(chi2)
        with closing(sqlite3.connect(copy)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            count, most = connection.execute("SELECT count(*), max(id) FROM survey").fetchone()
        assert (chi2 or 0.0) == count == (most or 0)
        assert not list(tmp_path.glob("copy-*.damaged*"))
    assert len(found) > 3, "the cuts fell between different surveys"


async def test_any_damage_anywhere_is_survived_and_never_believed(path, tmp_path):
    """A few overwritten bytes: a whole survey is served, or none, and writing goes on."""
    async with journal_of(path) as journal:
        await commit(journal, *range(1, 9))
    whole = path.read_bytes()
    frames = {n: tuple(frame_record(10 * n + index) for index in range(3)) for n in range(1, 9)}
    expected = {pack(survey_record(n, frames[n])) for n in frames}
    rng = np.random.default_rng(6)
    for trial in range(60):
        copy = tmp_path / f"copy-{trial}.sqlite"
        damaged = bytearray(whole)
        for _ in range(int(rng.integers(1, 5))):
            at = int(rng.integers(0, 4096 if trial % 3 else len(whole)))
            length = int(rng.integers(1, 64))
            damaged[at : at + length] = rng.bytes(length)
        copy.write_bytes(bytes(damaged[: len(whole)]))
        with contextlib.suppress(MeasurementError, UsageError), open_reader(copy) as reader:
            for kept in reader.surveys():
                assert kept.record is None or pack(kept.record) in expected
                reader.frames_of(kept.number)
        async with journal_of(copy) as journal:
            survey = await journal.last_survey()
            assert survey is None or pack(survey) in expected
            trouble = await commit(journal, 50)
            assert trouble is None or trouble.code == "journal_foreign"
        if trouble is None:
            assert await last_chi2(copy) == 50.0


async def test_a_reader_says_what_is_wrong_with_a_damaged_file(path):
    path.parent.mkdir()
    path.write_bytes(b"this was a journal once\n" * 100)
    with pytest.raises(MeasurementError, match="cannot be read") as caught, open_reader(path):
        pass
    assert caught.value.code == "journal_damaged"


FILL_THE_DISK = """
import asyncio, json, sys
from pathlib import Path
from polewright.adapters.journal.writing import SqliteJournal
from tests.unit.adapters.journal_records import frame_record, survey_record

folder = Path(sys.argv[1])
ballast = folder / "ballast"
ballast.write_bytes(bytes(250_000))
told = []

async def main():
    outcomes = []
    tell = lambda trouble: told.append(trouble.code)
    async with SqliteJournal(folder / "kudu.sqlite", on_trouble=tell) as journal:
        for number in range(1, 100):
            frames = tuple(frame_record(10 * number + index) for index in range(3))
            trouble = await journal.commit_survey(survey_record(number, frames), frames)
            outcomes.append(trouble and trouble.code)
            if outcomes.count("journal_disk_full") == 5:
                break
        ballast.unlink()
        await asyncio.sleep(0.1)
        trouble = await journal.commit_survey(survey_record(200), ())
        outcomes.append(trouble and trouble.code)
    async with SqliteJournal(folder / "kudu.sqlite") as journal:
        last = await journal.last_survey()
    files = sorted(file.name for file in folder.iterdir())
    print(json.dumps([outcomes, told, last.estimate.chi2, files]))

asyncio.run(main())
"""


def test_a_full_disk_is_told_once_and_nothing_committed_is_lost(tmp_path):
    """A real file system of 600 kB that fills up, and is freed again."""
    mount = f'mount -t tmpfs -o size=600k none "{tmp_path}" || exit 77; exec "$@" "{tmp_path}"'
    ended = subprocess.run(
        ["unshare", "-rm", "sh", "-c", mount, "sh", sys.executable, "-c", FILL_THE_DISK],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    if ended.returncode == 77 or "unshare failed" in ended.stderr:
        pytest.skip("no file systems may be mounted here")
    assert ended.returncode == 0, ended.stderr
    outcomes, told, last, files = json.loads(ended.stdout)
    kept = outcomes.index("journal_disk_full")
    assert kept >= 2, "there was room for some"
    assert set(outcomes[:kept]) == {None}
    assert outcomes[-1] is None
    assert told == ["journal_disk_full"]
    assert last == 200.0
    assert not any("damaged" in name for name in files), "a full disk is not damage"
