"""The clock on the wall: the host's, or the host's set right by a GPS receiver."""

import asyncio
import time
from datetime import UTC, datetime, timedelta


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
        return datetime.now(UTC) + self.correction

    def monotonic(self) -> float:
        """Return seconds that never jump."""
        return time.monotonic()

    async def sleep(self, duration_s: float) -> None:
        """Sleep."""
        await asyncio.sleep(duration_s)
