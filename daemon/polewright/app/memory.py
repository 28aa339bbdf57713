"""Memory: freed frames go back to the system at once; threads are started while there is some."""

import asyncio
import ctypes
import logging
import threading
from concurrent.futures import ThreadPoolExecutor

_log = logging.getLogger(__name__)

# glibc, malloc.h.
_M_TRIM_THRESHOLD = -1
_M_MMAP_THRESHOLD = -3
_M_ARENA_MAX = -8
# Left alone, glibc takes ever larger blocks from its heaps once such blocks were freed, and gives
# each worker thread a heap of its own: after some frames a service of 220 MB held 330.
_LARGE_BYTES = 524_288
_ARENAS = 2
_TRIM_EVERY_S = 60.0
# Blocking calls that run at once: a frame's solving, the journal's end, a connection's beginning
# and end, a look into the past.  Idle they cost some tens of kilobytes each.
_THREADS = 6
# Starting them takes a millisecond each (s).
_START_S = 10.0


async def keep_trim() -> None:
    """Give back what small blocks leave free, once a minute, for ever; takes a thread 1 to 9 ms.

    What is freed between blocks in use stays with the C library otherwise: some 16 MB after hours.
    """
    while True:
        await asyncio.sleep(_TRIM_EVERY_S)
        await asyncio.to_thread(trim)


def trim() -> bool:
    """Give free memory of the C library back to the system; whether there was any."""
    try:
        malloc_trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return False
    return bool(malloc_trim(ctypes.c_size_t(0)))


def give_frames_back() -> bool:
    """Tell glibc to map large blocks singly and to keep few heaps; whether it does.

    For the whole process, before threads start.  Elsewhere than on glibc nothing happens.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        _log.debug("this C library has no mallopt: memory stays as it is")
        return False
    options = (
        (_M_ARENA_MAX, _ARENAS),
        (_M_MMAP_THRESHOLD, _LARGE_BYTES),
        (_M_TRIM_THRESHOLD, _LARGE_BYTES),
    )
    return all(mallopt(option, value) == 1 for option, value in options)


def start_threads() -> None:
    """Start all threads for the running loop's blocking calls now.

    The loop's own pool starts one when it is first needed: when memory is short then, it cannot,
    and whoever waits fails, be it the stop of a mount.
    """
    pool = ThreadPoolExecutor(_THREADS, thread_name_prefix="work")
    all_here = threading.Barrier(_THREADS + 1)
    for _ in range(_THREADS):
        pool.submit(all_here.wait, _START_S)
    all_here.wait(_START_S)
    asyncio.get_running_loop().set_default_executor(pool)
