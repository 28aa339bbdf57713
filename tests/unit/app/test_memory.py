"""Freed frames go back to the system."""

import asyncio
import subprocess
import sys
import threading

import pytest

from polewright.app.memory import start_threads

# Frames of 4 MB from eight threads, freed in another order than made, with small blocks between.
_WORK = """
import sys, threading, os
if sys.argv[1] == "tamed":
    from polewright.app.memory import give_frames_back
    if not give_frames_back():
        print("no glibc"); sys.exit()
import numpy as np
def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
kept = []
def work():
    for turn in range(12):
        frames = [np.ones(size, dtype=np.uint8) for size in (900_000, 4_000_000, 9_000_000)]
        kept.append([bytes(2000) for _ in range(20)])
        del frames[::2]
before = resident()
threads = [threading.Thread(target=work) for _ in range(8)]
for thread in threads: thread.start()
for thread in threads: thread.join()
print(resident() - before)
"""


def grown_bytes(mode: str) -> int:
    ended = subprocess.run(
        [sys.executable, "-c", _WORK, mode], capture_output=True, text=True, timeout=60, check=True
    )
    if "no glibc" in ended.stdout:
        pytest.skip("needs glibc")
    return int(ended.stdout)


def test_frames_of_worker_threads_do_not_stay_in_memory() -> None:
    """4 MB of small blocks are kept on purpose; the frames are 110 MB at a time."""
    assert grown_bytes("tamed") < 12_000_000


async def test_blocking_calls_begin_no_thread_later() -> None:
    start_threads()
    before = {thread.ident for thread in threading.enumerate()}
    used = {await asyncio.to_thread(threading.get_ident) for _ in range(20)}
    assert used <= before
    assert {thread.ident for thread in threading.enumerate()} <= before


# Small blocks, every tenth of them kept: what lies between stays with the C library.
_SMALL_BLOCKS = """
import ctypes, os
from polewright.app.memory import trim
libc = ctypes.CDLL(None)
libc.malloc.restype, libc.malloc.argtypes = ctypes.c_void_p, [ctypes.c_size_t]
libc.free.argtypes = [ctypes.c_void_p]
def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
blocks = [libc.malloc(4000) for _ in range(20000)]
for block in blocks:
    ctypes.memset(block, 1, 4000)
for number, block in enumerate(blocks):
    if number % 10:
        libc.free(block)
held = resident()
given = trim()
print(held - resident() if given else "no glibc")
"""


def test_what_small_blocks_left_free_is_given_back() -> None:
    """Some 70 MB are free between blocks in use; most pages of them hold nothing else."""
    ended = subprocess.run(
        [sys.executable, "-c", _SMALL_BLOCKS],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    if "no glibc" in ended.stdout:
        pytest.skip("needs glibc")
    assert int(ended.stdout) > 40_000_000
