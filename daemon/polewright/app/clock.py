"""The clock on the wall: the host's, or the host's set right by a GPS receiver."""

import asyncio
import ctypes
import time
from datetime import UTC, datetime, timedelta

# The kernel counts its clock's largest error up from the last correction, and stops at 16 s: a
# clock that nobody corrects (systemd takes the same bound for "NTPSynchronized").
_NOBODY_CORRECTS_US = 16_000_000
# `struct timex` is 208 bytes on 64-bit Linux, 128 on 32-bit.
_TIMEX_BYTES = 512


def kept_right_from_outside() -> bool | None:
    """Return whether the kernel's clock is corrected over the network; None where nobody tells.

    Asks the kernel itself (``adjtimex`` with nothing to set, which needs no rights and no
    program).
    """
    try:
        ask = ctypes.CDLL(None, use_errno=True).adjtimex
    except (AttributeError, OSError):
        return None
    answer = ctypes.create_string_buffer(_TIMEX_BYTES)
    if ask(answer) < 0:
        return None
    # modes (int), then offset, freq and maxerror (long), each at its natural alignment.
    longs = (ctypes.c_long * (_TIMEX_BYTES // ctypes.sizeof(ctypes.c_long))).from_buffer(answer)
    return longs[3] < _NOBODY_CORRECTS_US


class HostClock:
    """The host's clock plus a correction (implements :class:`polewright.ports.Clock`).

    Parameters
    ----------
    correction : timedelta
        What to add to the host's clock; a small computer without a battery wakes up in the past.
    """

    def __init__(self, correction: timedelta = timedelta(0)) -> None:
        self.correction = correction

    def now(self) -> datetime:
        """Return the aware UTC instant."""
        return self.uncorrected() + self.correction

    def uncorrected(self) -> datetime:
        """Return what the host's own clock says (aware, UTC)."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Return seconds that never jump."""
        return time.monotonic()

    async def sleep(self, duration_s: float) -> None:
        """Sleep."""
        await asyncio.sleep(duration_s)
