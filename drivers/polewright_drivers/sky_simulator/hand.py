"""Hand: the INDI device "Hand", which turns the axis of a mount that does not go by itself."""

from typing import Any

from polewright_drivers.indi.device import (
    AUX_INTERFACE,
    number,
    numbers,
)
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.rig import Rig


class Hand(SimulatedDevice):
    """A person's hand on the axis, clutch open.

    Parameters
    ----------
    rig : Rig
        What it turns.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.turn = numbers(
            "TURN_AXIS",
            "Turn the polar axis",
            "Simulation",
            "rw",
            [("WEST_DEG", "Westward (deg)", "%.4f", -180.0, 180.0, 0.0)],
        )
        super().__init__("Hand", AUX_INTERFACE, [self.turn])

    async def asked(self, event: Any) -> None:
        """Turn at once."""
        self._rig.advance()
        # Hour angles grow to the west; axis 1 counts right-handed about the elevated end.
        self._rig.hand_deg -= self._rig.scenario.site.side * number(event, "WEST_DEG")
        await self.turn.send_setVector(state="Ok")
