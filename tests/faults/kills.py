"""Kills: ``kill -9`` at random instants of a process that commits, and what is left each time.

A nursery forks writers that commit survey after survey and say each one only when it is kept.
After every kill the file is looked at whole, an evening takes up the last survey and tells it to
displays, and the next writer goes on in the same file.
"""

import asyncio
import random
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from polewright.adapters.journal.packing import pack
from polewright.adapters.journal.reading import open_reader
from polewright.adapters.journal.writing import SqliteJournal
from polewright.session.evening import Evening
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    MemoryMount,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)
from tests.unit.adapters.journal_records import frame_record, survey_record

# A commit takes a few milliseconds: kills within this time fall into all of its parts (s).
LATEST_KILL_S = 0.06


def run_kills(kills: int, seed: int = 20261125) -> dict[str, Any]:
    """Kill so often; return the counts and what was wrong.

    Returns
    -------
    dict
        ``kills``, ``surveys`` (answered as kept), ``logs_recovered`` and ``violations``.
    """
    moments = random.Random(seed)
    answered = recovered = 0
    found: list[str] = []
    with (
        tempfile.TemporaryDirectory(prefix="kills-") as folder,
        subprocess.Popen(
            [sys.executable, "-m", "tests.unit.adapters.journal_killing"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            cwd=Path(__file__).parents[2],
        ) as writers,
    ):  # fmt: skip
        path = Path(folder) / "kudu.sqlite"
        assert writers.stdin is not None
        assert writers.stdout is not None
        for kill in range(kills):
            writers.stdin.write(f"{path} {moments.uniform(0.0, LATEST_KILL_S):.6f}\n")
            writers.stdin.flush()
            said = int(writers.stdout.readline())
            if said <= answered:
                found.append(f"kill {kill}: the writer did not go on where the last one was killed")
            answered = said
            recovered += path.with_name(path.name + "-wal").stat().st_size > 0
            found += [f"kill {kill}: {text}" for text in asyncio.run(wrong_in(path, answered))]
        writers.stdin.close()
        with open_reader(path) as reader:
            kept = [int(one.record.estimate.chi2) for one in reader.surveys() if one.record]
        if kept != list(range(1, len(kept) + 1)):
            found.append("a survey was lost or is there twice")
        if list(Path(folder).glob("*damaged*")):
            found.append("a whole file was taken for a damaged one")
    return {
        "kills": kills, "surveys": answered, "logs_recovered": recovered, "violations": found,
    }  # fmt: skip


async def wrong_in(path: Path, at_least: int) -> list[str]:
    """Return what is wrong with a journal after a kill; ``at_least`` surveys were answered."""
    async with SqliteJournal(path) as journal:
        clock, told = VirtualClock(), MemoryPublisher()
        evening = Evening(
            MemorySolver(MemoryMount(clock), np.random.default_rng(1)),
            clock,
            told,
            EveningWishes(),
            journal,
        )
        await evening.restore()
        survey = await journal.last_survey()
        if journal.trouble is not None:
            return [f"the journal is in trouble: {journal.trouble}"]
    if survey is None:
        return ["no survey is left"]
    number = int(survey.estimate.chi2)
    found = []
    # The kill may fall between the commit and its answer: one more than was said, never less.
    if not at_least <= number <= at_least + 1:
        found.append(f"survey {number} is the last, and {at_least} were answered")
    frames = tuple(frame_record(10 * number + index, stars=60) for index in range(3))
    if pack(survey) != pack(survey_record(number, frames)):
        found.append(f"survey {number} is not what was committed")
    if round(float(told.last("survey")["chi2"])) != number:
        found.append(f"survey {number} was not told after the restart")
    with closing(sqlite3.connect(path)) as connection:
        ask = connection.execute
        if ask("PRAGMA integrity_check").fetchone() != ("ok",):
            found.append("the file is not whole")
        if ask("PRAGMA foreign_key_check").fetchall():
            found.append("records point nowhere")
        if ask("SELECT count(*) FROM survey").fetchone() != (number,):
            found.append("surveys are missing")
        (torn,) = ask(
            "SELECT count(*) FROM survey WHERE frames != "
            "(SELECT count(*) FROM survey_frame WHERE survey_id = survey.id)"
        ).fetchone()
        if torn:
            found.append(f"{torn} surveys lack frames")
    with open_reader(path) as reader:
        if any(one.record is None for one in reader.surveys(number)):
            found.append(f"the record of survey {number} cannot be read")
        if any(frame is None for frame in reader.frames_of(number)):
            found.append(f"a frame of survey {number} cannot be read")
    return found
