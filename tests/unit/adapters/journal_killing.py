"""A nursery of writers that are killed: one line in (file, seconds), one line out (last answer).

Run as a process of its own: it forks a writer that commits survey after survey, kills it -9 at
the given time after its first commit, and tells the number of the last survey whose commit had
been answered.
"""

import asyncio
import itertools
import os
import select
import signal
import sys
import time
from pathlib import Path

from polewright.adapters.journal.writing import SqliteJournal
from tests.unit.adapters.journal_records import frame_record, survey_record


async def write_for_ever(path: Path, answers: int) -> None:
    """Commit surveys with rising numbers, and say each one only when it is kept."""
    async with SqliteJournal(path) as journal:
        last = await journal.last_survey()
        first = int(last.estimate.chi2) + 1 if last is not None else 1
        for number in itertools.count(first):
            frames = tuple(frame_record(10 * number + index, stars=60) for index in range(3))
            for frame in frames:
                journal.record_frame(frame)
            if await journal.commit_survey(survey_record(number, frames), frames) is None:
                os.write(answers, f"{number}\n".encode())


def raise_and_kill(path: Path, after_s: float) -> int:
    """Return the last number that the writer had said when it was killed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            asyncio.run(write_for_ever(path, writing))
        finally:
            os._exit(1)
    os.close(writing)
    said = b""
    try:
        if select.select([reading], [], [], 20.0)[0]:
            time.sleep(after_s)
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    while part := os.read(reading, 65536):
        said += part
    os.close(reading)
    whole = said.split(b"\n")[:-1]
    return int(whole[-1]) if whole else 0


if __name__ == "__main__":
    for line in sys.stdin:
        name, after = line.rsplit(" ", 1)
        sys.stdout.write(f"{raise_and_kill(Path(name), float(after))}\n")
        sys.stdout.flush()
