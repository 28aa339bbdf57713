"""What an open journal holds in memory while it grows."""

import ctypes
import ctypes.util
from contextlib import closing

import pytest

from polewright.adapters.journal.store import CACHE_KIB, JournalStore
from tests.unit.adapters.journal_records import NIGHT, frame_record


def sqlite_bytes() -> int:
    """Return what SQLite holds (https://www.sqlite.org/c3ref/memory_highwater.html)."""
    name = ctypes.util.find_library("sqlite3")
    if name is None:
        pytest.skip("SQLite is built into Python here, and cannot be asked")
    used = ctypes.CDLL(name).sqlite3_memory_used
    used.restype = ctypes.c_int64
    return int(used())


def test_a_journal_that_grows_holds_no_more_than_its_cache(tmp_path):
    """Five times the cache is written; its own tables and statements take some 0.2 MB beside it."""
    before = sqlite_bytes()
    path = tmp_path / "kudu.sqlite"
    with closing(JournalStore(path, now=lambda: NIGHT)) as store:
        if sqlite_bytes() == before:
            pytest.skip("Python uses another SQLite than the one that was asked")
        written, number = 0, 0
        while written < 5 * CACHE_KIB * 1024:
            store.add_frame(frame_record(number, stars=100))
            number += 1
            written = sum(file.stat().st_size for file in tmp_path.iterdir())
        assert sqlite_bytes() - before < (CACHE_KIB + 300) * 1024
    assert sqlite_bytes() <= before
