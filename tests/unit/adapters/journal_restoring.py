"""A nursery of restorers that are killed: one line in (journal, backups, seconds), one line out.

Run as a process of its own: it forks a child that restores one backup after the other into the
journal, kills it -9 at the given time after its first one, and tells how many had been restored.
"""

import itertools
import os
import select
import signal
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from polewright.adapters.journal.copies import restore


def restore_for_ever(journal: Path, backups: list[Path], answers: int) -> None:
    """Restore them by turns, and say each one only when it stands there."""
    for backup in itertools.cycle(backups):
        restore(backup, journal, now=datetime.now(UTC))
        os.write(answers, b".")


def raise_and_kill(journal: Path, backups: list[Path], after_s: float) -> int:
    """Return how many the child had restored when it was killed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            restore_for_ever(journal, backups, writing)
        finally:
            os._exit(1)
    os.close(writing)
    try:
        if select.select([reading], [], [], 20.0)[0]:
            time.sleep(after_s)
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    said = b""
    while part := os.read(reading, 65536):
        said += part
    os.close(reading)
    return len(said)


if __name__ == "__main__":
    for line in sys.stdin:
        name, first, second, after = line.rstrip("\n").split("\t")
        count = raise_and_kill(Path(name), [Path(first), Path(second)], float(after))
        sys.stdout.write(f"{count}\n")
        sys.stdout.flush()
