"""Device: brings one INDI device to readiness and asks things of it, each wait bounded."""

import asyncio
import logging
import math
from collections.abc import Mapping

from polewright.adapters.indi.connection import IndiConnection, gone, is_withdrawal
from polewright.adapters.indi.snapshot import PropertySnapshot
from polewright.core.errors import DeviceError

_LOG = logging.getLogger(__name__)

# A driver names its device and its first properties within 50 ms of its start; a small computer
# that has just booted needs longer (s).
APPEARS_S = 5.0
# Serial drivers search several ports at several speeds before they answer (s).
CONNECT_S = 20.0
# Properties follow a connection within 0.1 s, with slow hardware within a few seconds (s).
PROPERTIES_S = 10.0
# The protocol does not say when the list of a device's properties is complete; they follow one
# another within milliseconds (s), and not for longer than this (s).
PROPERTIES_QUIET_S = 0.3
PROPERTIES_LONGEST_S = 3.0
# A switch that moves nothing is answered within one polling period, usually 1 s or less (s).
ANSWER_S = 5.0


class IndiDevice:
    """One device on one connection.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    name : str
        The device's name.
    essential : str or tuple of str
        The property without which the device is of no use here; of several, any one.
    role : str
        What it is to be, in words, for errors.
    """

    def __init__(
        self,
        connection: IndiConnection,
        name: str,
        *,
        essential: str | tuple[str, ...],
        role: str,
    ) -> None:
        self.connection = connection
        self.name = name
        self._essential = (essential,) if isinstance(essential, str) else essential
        self._role = role
        self._complete = False

    def read(self, name: str) -> PropertySnapshot | None:
        """Return the latest snapshot of a property, None where the device has none."""
        return self.connection.read(self.name, name)

    def has(self, name: str) -> bool:
        """Return True where the device has this property now."""
        return self.read(name) is not None

    @property
    def connected(self) -> bool:
        """True while the driver is there and says that it is connected to its device."""
        state = self.read("CONNECTION")
        return state is not None and state.is_on("CONNECT")

    def number(self, name: str, element: str) -> float | None:
        """Return a finite number, None where the device does not tell one."""
        snapshot = self.read(name)
        value = None if snapshot is None else snapshot.numbers.get(element)
        return value if value is not None and math.isfinite(value) else None

    async def ensure_ready(self) -> None:
        """Connect the device where it is not, and wait for its essential property.

        Raises
        ------
        LinkError
            When the connection to the server is lost.
        DeviceError
            Where the device is missing, does not connect, or lacks its essential property.
        """
        self.connection.ensure_alive()
        if self._complete and self.connected and any(self.has(name) for name in self._essential):
            return
        self._complete = False
        state = await self._appeared()
        if not state.is_on("CONNECT"):
            await self._connect()
        await self._offers_controls()
        await self._properties_complete()
        self._complete = True

    async def switch(self, name: str, element: str, *, task: str) -> PropertySnapshot:
        """Turn one switch of a set on and wait until the device shows it on.

        Busy counts as done: mounts, for one, report tracking as Busy for as long as they track.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the device refuses, or does not answer in time.
        """
        snapshot = self.read(name)
        elements = {element: True} if snapshot is None else dict.fromkeys(snapshot.switches, False)
        elements[element] = True
        since = self.connection.send_switch(self.name, name, elements)
        answer = await self.connection.wait_for(
            self.name,
            name,
            lambda p: p.failed or p.is_on(element),
            ANSWER_S,
            since=since,
            task=task,
        )
        if answer.failed:
            raise self.refused(task, since=since)
        return answer

    async def set_numbers(self, name: str, values: Mapping[str, float], *, task: str) -> None:
        """Set numbers and wait until the device has taken them.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the device refuses, or does not answer in time.
        """
        since = self.connection.send_numbers(self.name, name, values)
        answer = await self.connection.wait_for(
            self.name, name, lambda p: not p.busy, ANSWER_S, since=since, task=task
        )
        if answer.failed:
            raise self.refused(task, since=since)

    def refused(self, task: str, *, since: int) -> DeviceError:
        """Return the error for a device that reports failure, with its own words if any."""
        said = self.connection.last_message(self.name, since=since)
        return DeviceError(
            f"{self.name} failed to {task}" + (f' and says: "{said}"' if said else ""),
            remedy="Check the device, then try again",
            code="device_refused",
        )

    async def _appeared(self) -> PropertySnapshot:
        """Wait until the device is announced."""
        try:
            return await self.connection.wait_for(
                self.name, "CONNECTION", lambda _: True, APPEARS_S, task="appear"
            )
        except DeviceError as error:
            if error.code != "no_answer":
                raise
            others = ", ".join(self.connection.devices) or "no device at all"
            raise DeviceError(
                f"The INDI server at {self.connection.where} has no device {self.name!r}; it has"
                f" {others}",
                remedy=f"Start the driver, or correct the name of the {self._role} in the settings",
                code="no_device",
            ) from None

    async def _offers_controls(self) -> None:
        """Wait for an essential property."""
        with self.connection.subscribe(self.name) as events:
            try:
                async with asyncio.timeout(PROPERTIES_S):
                    while not any(self.has(name) for name in self._essential):
                        event = await anext(events)
                        if is_withdrawal(event, "CONNECTION"):
                            raise gone(self.name, "offer its controls")
            except TimeoutError:
                raise DeviceError(
                    f"{self.name} is connected but offers no {' or '.join(self._essential)}: it"
                    f" cannot serve as {self._role}",
                    remedy=f"Choose another device as {self._role} in the settings",
                    code="wrong_device",
                ) from None

    async def _properties_complete(self) -> None:
        """Wait until no further property has been announced for a moment."""
        loop = asyncio.get_running_loop()
        deadline_s = loop.time() + PROPERTIES_LONGEST_S
        known = {p.name for p in self.connection.properties(self.name)}
        with self.connection.subscribe(self.name) as events:
            try:
                async with asyncio.timeout(PROPERTIES_QUIET_S) as bound:
                    async for event in events:
                        if isinstance(event, PropertySnapshot) and event.name not in known:
                            known.add(event.name)
                            bound.reschedule(min(deadline_s, loop.time() + PROPERTIES_QUIET_S))
            except TimeoutError:
                pass

    async def _connect(self) -> None:
        """Connect the device."""
        _LOG.info("connecting %s", self.name)
        since = self.connection.send_switch(
            self.name, "CONNECTION", {"CONNECT": True, "DISCONNECT": False}
        )
        answer = await self.connection.wait_for(
            self.name,
            "CONNECTION",
            lambda p: p.failed or (not p.busy and p.serial > since),
            CONNECT_S,
            since=since,
            task="connect",
        )
        if answer.failed or not answer.is_on("CONNECT"):
            raise self.refused("connect", since=since)
