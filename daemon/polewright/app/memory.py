"""Memory: has the C library give freed frames back to the system at once."""

import ctypes
import logging

_log = logging.getLogger(__name__)

# glibc, malloc.h.
_M_TRIM_THRESHOLD = -1
_M_MMAP_THRESHOLD = -3
_M_ARENA_MAX = -8
# Left alone, glibc takes ever larger blocks from its heaps once such blocks were freed, and gives
# each worker thread a heap of its own: after some frames a service of 220 MB held 330.
_LARGE_BYTES = 524_288
_ARENAS = 2


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
