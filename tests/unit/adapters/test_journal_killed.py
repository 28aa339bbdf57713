"""kill -9 at any instant: the journal is whole, and no survey that was called kept is lost.

The same with hundreds of kills: ``./run faults --kills 200``.
"""

import asyncio
import sqlite3
from contextlib import closing

import pytest

from polewright.adapters.journal.writing import SqliteJournal
from tests.faults.kills import run_kills, wrong_in
from tests.unit.adapters.journal_records import frame_record, survey_record

KILLS = 25


@pytest.mark.timeout(300)
def test_a_kill_at_any_instant_leaves_the_journal_whole():
    """One file through all the kills, each followed by a look and by the next writer."""
    report = run_kills(KILLS)
    assert report["violations"] == []
    assert report["surveys"] >= KILLS
    assert report["logs_recovered"] == KILLS, "each kill left a log to recover"


def test_the_look_after_a_kill_sees_what_is_missing(tmp_path):
    """The look itself can say no."""
    path = tmp_path / "kudu.sqlite"

    async def commit() -> None:
        async with SqliteJournal(path) as journal:
            for number in (1, 2, 3):
                frames = tuple(frame_record(10 * number + i, stars=60) for i in range(3))
                assert await journal.commit_survey(survey_record(number, frames), frames) is None

    asyncio.run(commit())
    assert asyncio.run(wrong_in(path, 3)) == []
    assert asyncio.run(wrong_in(path, 2)) == []
    assert "4 were answered" in " ".join(asyncio.run(wrong_in(path, 4)))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM survey_frame WHERE survey_id = 2 AND position = 1")
        connection.execute("DELETE FROM survey_frame WHERE survey_id = 1")
        connection.execute("DELETE FROM survey WHERE id = 1")
    told = " ".join(asyncio.run(wrong_in(path, 3)))
    assert "surveys are missing" in told
    assert "1 surveys lack frames" in told
