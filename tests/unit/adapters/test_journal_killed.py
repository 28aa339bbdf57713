"""kill -9 at any instant: the journal is whole, and no survey that was called kept is lost."""

import asyncio
import os
import random
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from polewright.adapters.journal.packing import pack
from polewright.adapters.journal.reading import open_reader
from polewright.adapters.journal.writing import SqliteJournal
from tests.unit.adapters.journal_records import frame_record, survey_record

# A commit takes a few milliseconds: kills within this time fall into all of its parts (s).
LATEST_KILL_S = 0.06


@pytest.mark.timeout(300)
@pytest.mark.parametrize("kills", [25, pytest.param(200, marks=pytest.mark.slow)])
def test_a_kill_at_any_instant_leaves_the_journal_whole(tmp_path, kills):
    """One file through all the kills, each followed by a look and by the next writer."""
    if kills > 25 and not os.environ.get("POLEWRIGHT_FULL"):
        pytest.skip("set POLEWRIGHT_FULL=1 for the long run")
    path = tmp_path / "kudu.sqlite"
    moments = random.Random(20261125)
    answered, torn = 0, 0
    with subprocess.Popen(
        [sys.executable, "-m", "tests.unit.adapters.journal_killing"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as nursery:  # fmt: skip
        assert nursery.stdin is not None
        assert nursery.stdout is not None
        for _ in range(kills):
            nursery.stdin.write(f"{path} {moments.uniform(0.0, LATEST_KILL_S):.6f}\n")
            nursery.stdin.flush()
            said = int(nursery.stdout.readline())
            assert said > answered, "the writer went on where the last one was killed"
            answered = said
            torn += path.with_name(path.name + "-wal").stat().st_size > 0
            asyncio.run(_whole_and_serves(path, at_least=answered))
        nursery.stdin.close()
    with open_reader(path) as reader:
        kept = [int(survey.record.estimate.chi2) for survey in reader.surveys()]
    assert kept == list(range(1, len(kept) + 1)), "none lost, none twice"
    assert torn == kills, "each kill left a log to recover"
    assert not list(tmp_path.glob("*damaged*"))
    sys.stdout.write(f"{kills} kills, {answered} surveys kept and answered, none lost\n")


async def _whole_and_serves(path, *, at_least: int) -> None:
    async with SqliteJournal(path) as journal:
        survey = await journal.last_survey()
        assert journal.trouble is None
    assert survey is not None
    number = int(survey.estimate.chi2)
    # The kill may fall between the commit and its answer: one more than was said, never less.
    assert at_least <= number <= at_least + 1
    frames = tuple(frame_record(10 * number + index, stars=60) for index in range(3))
    assert pack(survey) == pack(survey_record(number, frames))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        (orphans,) = connection.execute(
            "SELECT count(*) FROM survey WHERE frames != "
            "(SELECT count(*) FROM survey_frame WHERE survey_id = survey.id)"
        ).fetchone()
        assert orphans == 0
        assert connection.execute("SELECT count(*) FROM survey").fetchone() == (number,)
    with open_reader(path) as reader:
        assert all(kept.record is not None for kept in reader.surveys(number))
        assert all(frame is not None for frame in reader.frames_of(number))
