"""Simulated clock: the instant of the evening, at a chosen start and pace."""

import time
from collections.abc import Callable
from datetime import UTC, datetime

from polewright_drivers.sky_simulator.scenario import ClockTruth


class SimulatedClock:
    """Tells the simulated UTC as seconds since 1970.

    Parameters
    ----------
    truth : ClockTruth
        Start and pace.
    monotonic : callable
        Host seconds that never jump; tests pass their own.
    """

    def __init__(self, truth: ClockTruth, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._origin_host_s = monotonic()
        self._origin_unix_s = time.time() if truth.host_clock else truth.start().timestamp()
        self.time_factor = truth.time_factor

    def step(self, forward_s: float) -> None:
        """Jump ahead (simulated s)."""
        self._origin_unix_s += forward_s

    def run_at(self, time_factor: float) -> None:
        """Run at another pace from now on."""
        host_s = self._monotonic()
        self._origin_unix_s += (host_s - self._origin_host_s) * self.time_factor
        self._origin_host_s = host_s
        self.time_factor = time_factor

    def now_unix_s(self) -> float:
        """Return the simulated instant (s since 1970, UTC)."""
        passed_s = self._monotonic() - self._origin_host_s
        return self._origin_unix_s + passed_s * self.time_factor

    def host_s(self, simulated_s: float) -> float:
        """Return how long a simulated duration takes on the host (s)."""
        return simulated_s / self.time_factor


def utc(unix_s: float) -> datetime:
    """Return an instant as an aware datetime."""
    return datetime.fromtimestamp(unix_s, tz=UTC)
