"""A host's clock that a campaign steps, and one that runs fast: for services under test."""

import asyncio
import mmap
import struct
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from polewright.app.clock import HostClock

_FORM = struct.Struct("d")


class SteppedClock(HostClock):
    """The host's clock, off by what a file says (s), as if somebody had set it.

    Parameters
    ----------
    file : Path
        Eight bytes, which :func:`step` writes while the service runs.
    """

    def __init__(self, file: Path) -> None:
        super().__init__()
        with file.open("rb") as content:
            self._offset = mmap.mmap(content.fileno(), _FORM.size, prot=mmap.PROT_READ)

    def uncorrected(self) -> datetime:
        """Return what the stepped clock says."""
        (offset_s,) = _FORM.unpack_from(self._offset)
        return datetime.now(UTC) + timedelta(seconds=offset_s)


def step(file: Path, offset_s: float) -> None:
    """Set a clock off by this much."""
    if not file.exists():
        file.write_bytes(_FORM.pack(offset_s))
        return
    with file.open("r+b") as content:  # in place: it is mapped
        content.write(_FORM.pack(offset_s))


class FastClock(HostClock):
    """A clock that runs faster than the host's, sleeping included.

    Parameters
    ----------
    factor : float
        Its seconds in a second of the host.
    """

    def __init__(self, factor: float) -> None:
        super().__init__()
        self._factor = factor
        self._began = datetime.now(UTC)
        self._began_s = time.monotonic()

    def uncorrected(self) -> datetime:
        """Return the fast clock's instant."""
        return self._began + timedelta(seconds=self.monotonic())

    def monotonic(self) -> float:
        """Return its seconds since it began."""
        return (time.monotonic() - self._began_s) * self._factor

    async def sleep(self, duration_s: float) -> None:
        """Sleep by this clock."""
        await asyncio.sleep(duration_s / self._factor)
