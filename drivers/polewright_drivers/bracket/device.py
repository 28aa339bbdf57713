"""Device: the INDI device "Bracket"."""

import asyncio

from polewright_drivers.bracket.readings import Arrangement, Mean, Reading
from polewright_drivers.bracket.sources import Source, SourceError
from polewright_drivers.indi.attitude import AttitudeVectors
from polewright_drivers.indi.device import AUX_INTERFACE, DriverDevice, Refused, texts

TELL_S = 0.1
"""Readings are averaged over this long."""
SILENT_S = 2.0
"""Nothing for so long, and what was told is marked as not to be used."""


class Bracket(DriverDevice):
    """A sensor that tells how it lies.

    Parameters
    ----------
    source : Source
        Where readings come from.
    arrangement : Arrangement
        How its axes lie.
    """

    DRIVER_NAME = "Polewright Bracket"
    EXECUTABLE = "polewright-bracket"

    def __init__(self, source: Source, arrangement: Arrangement) -> None:
        self._source = source
        self._arrangement = arrangement
        self._mean = Mean()
        self._told_s = 0.0
        self._heard_s: dict[str, float] = {}
        self.vectors = AttitudeVectors()
        self.source = texts(
            "SOURCE", "Source", "Main Control", [("SOURCE", "Source", source.name)], state="Ok"
        )
        super().__init__("Bracket", AUX_INTERFACE, [*self.vectors.properties, self.source])

    async def opening(self) -> None:
        """Open the source."""
        try:
            await self._source.open(self._take, lambda: not self._mean.full)
        except SourceError as trouble:
            raise Refused(str(trouble)) from None
        self._mean = Mean()
        # Of gravity something is missing from the beginning, of the others once they were there.
        self._heard_s = {self.vectors.gravity.name: asyncio.get_running_loop().time()}
        self.source["SOURCE"] = self._source.name

    async def disconnecting(self) -> None:
        """Close the source."""
        await self._source.close()
        self.vectors.forget()

    def _take(self, reading: Reading) -> None:
        self._mean.add(self._arrangement.applied(reading))

    async def tick(self) -> None:
        """Tell the mean of what came, or that nothing comes."""
        now_s = asyncio.get_running_loop().time()
        if not self.connected or now_s - self._told_s < TELL_S:
            return
        self._told_s = now_s
        mean = self._mean.take()
        told = (mean.gravity_ms2, mean.field_ut, mean.rate_deg_s)
        for vector, values in zip(self.vectors.properties, told, strict=True):
            if values is not None:
                self._heard_s[vector.name] = now_s
                await self.vectors.tell(vector, values)
            elif now_s - self._heard_s.get(vector.name, now_s) > SILENT_S:
                del self._heard_s[vector.name]
                await vector.send_setVector(
                    state="Alert",
                    message=f"no {vector.name} from {self._source.name} for {SILENT_S:g} s",
                )
