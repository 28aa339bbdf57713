"""Adjuster: turns the two bolts by motors through INDI."""

import asyncio
import logging

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.snapshot import PropertyState
from polewright.core.errors import DeviceError, LinkError

_LOG = logging.getLogger(__name__)

ADJUSTMENT = "PAC_MANUAL_ADJUSTMENT"
AZIMUTH, ALTITUDE = "MANUAL_AZ_STEP", "MANUAL_ALT_STEP"

# A driver accepts or refuses a step within one polling period, usually 1 s or less (s).
STEP_STARTS_S = 5.0
# Gearing is slow: the slowest motors known need about a minute for a degree (s, s per deg).
STEP_S = 30.0
STEP_S_PER_DEG = 120.0
# Clearing the step is a message without motion (s).
CLEAR_S = 5.0
# An abort is answered at once; after this the person must act (s).
ABORT_S = 5.0


class IndiAdjuster:
    """A motorised adjuster; implements :class:`polewright.ports.Adjuster`.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    name : str
        The device's name.
    """

    def __init__(self, connection: IndiConnection, name: str) -> None:
        self.connection = connection
        self._device = IndiDevice(connection, name, essential=ADJUSTMENT, role="adjuster")
        self._one_at_a_time = asyncio.Lock()

    @property
    def name(self) -> str:
        """The device's name."""
        return self._device.name

    async def ensure_ready(self) -> None:
        """Connect the adjuster where it is not.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the adjuster is missing or does not connect.
        """
        await self._device.ensure_ready()

    async def step(self, azimuth_deg: float, altitude_deg: float) -> None:
        """Command one relative step of both motors, and return when they stand.

        Parameters
        ----------
        azimuth_deg, altitude_deg : float
            As the device counts (deg); its signs are not to be trusted.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the adjuster refuses, or does not finish in time.  It is told to stop before
            the error leaves.
        """
        async with self._one_at_a_time:
            await self._device.ensure_ready()
            self._check_range(azimuth_deg, altitude_deg)
            try:
                await self._move(azimuth_deg, altitude_deg)
            except LinkError:
                raise
            except BaseException:
                try:
                    await asyncio.shield(self.abort())
                except (LinkError, DeviceError) as error:
                    _LOG.error("the adjuster could not be stopped: %s", error)
                raise

    async def abort(self) -> None:
        """Stop both motors at once.

        Raises
        ------
        LinkError
            When the connection is lost: the command did not arrive.
        DeviceError
            Where the adjuster has no such command, or goes on moving.
        """
        self.connection.ensure_alive()
        command = next(
            (
                p
                for p in self.connection.properties(self.name)
                if "ABORT" in p.name and "ABORT" in p.switches
            ),
            None,
        )
        if command is None:
            raise DeviceError(
                f"{self.name} cannot be told to stop",
                remedy="Cut its power if it moves",
                code="not_supported",
            )
        self.connection.send_switch(self.name, command.name, {"ABORT": True})
        try:
            await self.connection.wait_for(
                self.name, ADJUSTMENT, lambda p: not p.busy, ABORT_S, task="stop"
            )
        except DeviceError as error:
            if error.code != "no_answer":
                raise
            raise DeviceError(
                f"{self.name} was told to stop and does not confirm it",
                remedy="Cut its power",
                code="still_moving",
            ) from error
        # Some drivers make up after an abort for what is left of the step.
        self.connection.send_numbers(self.name, ADJUSTMENT, {AZIMUTH: 0.0, ALTITUDE: 0.0})

    # -- inside -------------------------------------------------------------------------------

    def _check_range(self, azimuth_deg: float, altitude_deg: float) -> None:
        """Refuse a step that the driver would ignore."""
        current = self._device.read(ADJUSTMENT)
        limits = {} if current is None else current.limits
        for element, step_deg in ((AZIMUTH, azimuth_deg), (ALTITUDE, altitude_deg)):
            smallest, largest = limits.get(element, (0.0, 0.0))
            if smallest < largest and not smallest <= step_deg <= largest:
                raise DeviceError(
                    f"{self.name} takes steps of {smallest:g} to {largest:g} deg, not"
                    f" {step_deg:g} deg",
                    remedy="Turn the bolts by hand until the axis is closer",
                    code="step_out_of_range",
                )

    async def _move(self, azimuth_deg: float, altitude_deg: float) -> None:
        """Send the step, wait for its end, and clear it."""
        # An element that is left out may repeat its last step, so both are always sent.
        since = self.connection.send_numbers(
            self.name, ADJUSTMENT, {AZIMUTH: azimuth_deg, ALTITUDE: altitude_deg}
        )
        answer = await self.connection.wait_for(
            self.name,
            ADJUSTMENT,
            lambda p: True,
            STEP_STARTS_S,
            since=since,
            task="answer to a step",
        )
        if answer.busy:
            answer = await self.connection.wait_for(
                self.name,
                ADJUSTMENT,
                lambda p: not p.busy,
                STEP_S + STEP_S_PER_DEG * (abs(azimuth_deg) + abs(altitude_deg)),
                since=since,
                task="finish its step",
            )
        if answer.state is PropertyState.ALERT:
            raise self._device.refused("make its step", since=since)
        # Reading the properties again may repeat the last step, so none is left standing.
        since = self.connection.send_numbers(self.name, ADJUSTMENT, {AZIMUTH: 0.0, ALTITUDE: 0.0})
        await self.connection.wait_for(
            self.name, ADJUSTMENT, lambda p: not p.busy, CLEAR_S, since=since, task="clear its step"
        )
