"""Adjuster: turns the two bolts by motors through INDI."""

import asyncio
import logging
import math

from polewright.adapters.indi.connection import IndiConnection, stopped_before
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
# A driver that makes up for what an abort left of a step begins within one polling period (s).
RESUMES_S = 1.5
# Nobody waits longer than this for the second stop of such a driver either (s).
_MOST_ABORTS = 3


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
        self._aborts = 0

    @property
    def name(self) -> str:
        """The device's name."""
        return self._device.name

    @property
    def largest_step_deg(self) -> tuple[float, float]:
        """What each motor takes in one command, in both senses (deg); infinite: not told."""
        current = self._device.read(ADJUSTMENT)
        limits = {} if current is None else current.limits
        azimuth, altitude = (_largest(limits.get(element)) for element in (AZIMUTH, ALTITUDE))
        return azimuth, altitude

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
            the error leaves.  ``stopped``: it was told to stop before or in its step.
        """
        aborts = self._aborts
        async with self._one_at_a_time:
            await self._device.ensure_ready()
            self._check_range(azimuth_deg, altitude_deg)
            if self._aborts != aborts:  # nothing is awaited from here until it is sent
                raise stopped_before(self.name, "step")
            try:
                await self._move(azimuth_deg, altitude_deg)
            except LinkError as error:
                raise LinkError(
                    f"{error.text}, while {self.name} moved: its motors may still turn",
                    remedy="Look at the mount, and cut the motors' power if they turn",
                    code=error.code,
                ) from None
            except BaseException as error:
                await self._stop_after(error)
                raise
            if self._aborts != aborts:
                raise DeviceError(
                    f"{self.name} was stopped in its step",
                    remedy="Start again when ready",
                    code="stopped",
                )

    async def abort(self) -> None:
        """Stop both motors at once.

        Raises
        ------
        LinkError
            When the connection is lost: the command did not arrive.
        DeviceError
            Where the adjuster has no such command, or goes on moving.
        """
        self._aborts += 1  # a step that is still being prepared is not sent any more
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
        for _ in range(_MOST_ABORTS):
            await self._abort_once(command.name)
            if not await self._resumes():
                return
            _LOG.warning("%s moves again after a stop: it is stopped again", self.name)
        raise self._still_moving("was told to stop and goes on moving")

    # -- inside -------------------------------------------------------------------------------

    async def _stop_after(self, error: BaseException) -> None:
        """Stop the motors after a step that failed.

        Raises
        ------
        DeviceError
            They may still turn: said together with what had failed.
        """
        try:
            await asyncio.shield(self.abort())
        except (LinkError, DeviceError) as trouble:
            _LOG.error("the adjuster could not be stopped: %s", trouble)
            if isinstance(error, DeviceError):
                raise DeviceError(
                    f"{error.text}; it could not be told to stop either, and may still turn the "
                    "motors",
                    remedy="Look at the mount, and cut the motors' power if they turn",
                    code=error.code,
                ) from None

    async def _abort_once(self, command: str) -> None:
        self.connection.send_switch(self.name, command, {"ABORT": True})
        try:
            await self.connection.wait_for(
                self.name, ADJUSTMENT, lambda p: not p.busy, ABORT_S, task="stop"
            )
        except DeviceError as error:
            if error.code != "no_answer":
                raise
            raise self._still_moving("was told to stop and does not confirm it") from error
        # Some drivers make up after an abort for what is left of the step.
        self.connection.send_numbers(self.name, ADJUSTMENT, {AZIMUTH: 0.0, ALTITUDE: 0.0})

    async def _resumes(self) -> bool:
        """Return whether the driver moves again after an abort.

        A step of nothing may make it Busy too, for a moment: only what lasts is a motion.
        """
        loop = asyncio.get_running_loop()
        until_s = loop.time() + RESUMES_S
        while (left_s := until_s - loop.time()) > 0.0:
            try:
                await self.connection.wait_for(self.name, ADJUSTMENT, lambda p: p.busy, left_s)
            except DeviceError:
                return False
            try:
                await self.connection.wait_for(
                    self.name, ADJUSTMENT, lambda p: not p.busy, RESUMES_S
                )
            except DeviceError as error:
                return error.code == "no_answer"
        return False

    def _still_moving(self, what: str) -> DeviceError:
        return DeviceError(f"{self.name} {what}", remedy="Cut its power now", code="still_moving")

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


def _largest(limits: tuple[float, float] | None) -> float:
    """Return the largest size that is inside the limits in both senses."""
    if limits is None or not limits[0] < limits[1]:
        return math.inf
    return max(0.0, min(-limits[0], limits[1]))
