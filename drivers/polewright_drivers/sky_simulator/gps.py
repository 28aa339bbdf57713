"""GPS: the INDI device "Kudu GPS", which knows the true site and the simulated time."""

from typing import Any

from polewright_drivers.indi.device import (
    GPS_INTERFACE,
    set_only,
    switches,
)
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.mount import geographic, time_utc
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.simulated_clock import utc


class Gps(SimulatedDevice):
    """The receiver as INDI sees it.

    Parameters
    ----------
    rig : Rig
        Where it stands.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._ticks = 0
        self.geographic = geographic(rig, "ro")
        self.time = time_utc("ro")
        self.refresh = switches(
            "GPS_REFRESH", "GPS", "Main Control", [("REFRESH", "Refresh")], rule="AtMostOne"
        )
        super().__init__("Kudu GPS", GPS_INTERFACE, [self.geographic, self.time, self.refresh])

    def connecting(self) -> None:
        """Bring the values up to date."""
        self._fill()

    def _fill(self) -> None:
        instant = utc(self._rig.advance())
        self.time["UTC"] = instant.strftime("%Y-%m-%dT%H:%M:%S")

    async def asked(self, event: Any) -> None:
        """Send everything again."""
        set_only(self.refresh, None)
        self._fill()
        await self.geographic.send_setVector(state="Ok")
        await self.time.send_setVector(state="Ok")
        await self.refresh.send_setVector(state="Ok")

    async def tick(self) -> None:
        """Tell the time every second."""
        self._ticks += 1
        if self.connected and self._ticks % 20 == 0:
            self._fill()
            await self.time.send_setVector(state="Ok")
