"""Device: what every INDI device of a driver has in common, and short ways to make properties."""

import math
from typing import Any, ClassVar

from indipydriver import (
    Device,
    NumberMember,
    NumberVector,
    SwitchMember,
    SwitchVector,
    TextMember,
    TextVector,
)

VERSION = "0.1"

# Interface bits as in the INDI library's basedevice.h.
TELESCOPE_INTERFACE = 1 << 0
CCD_INTERFACE = 1 << 1
GPS_INTERFACE = 1 << 6
AUX_INTERFACE = 1 << 15

Number = tuple[str, str, str, float, float, float]
"""Name, label, printf format, lowest, highest, value."""


class Refused(Exception):  # noqa: N818 - a device's answer, not a fault
    """The device will not do what the client asked; the text is its message."""


def numbers(
    name: str, label: str, group: str, perm: str, members: list[Number], state: str = "Idle"
) -> NumberVector:
    """Return a number property."""
    return NumberVector(
        name,
        label,
        group,
        perm,
        state,
        [
            NumberMember(n, lab, form, repr(low), repr(high), "0", repr(value))
            for n, lab, form, low, high, value in members
        ],
    )


def switches(
    name: str,
    label: str,
    group: str,
    members: list[tuple[str, str]],
    *,
    on: str | None = None,
    rule: str = "OneOfMany",
    perm: str = "rw",
    state: str = "Idle",
) -> SwitchVector:
    """Return a switch property."""
    return SwitchVector(
        name,
        label,
        group,
        perm,
        rule,
        state,
        [SwitchMember(n, lab, "On" if n == on else "Off") for n, lab in members],
    )


def texts(
    name: str,
    label: str,
    group: str,
    members: list[tuple[str, str, str]],
    *,
    perm: str = "ro",
    state: str = "Idle",
) -> TextVector:
    """Return a text property."""
    return TextVector(
        name, label, group, perm, state, [TextMember(n, lab, value) for n, lab, value in members]
    )


def chosen(event: Any) -> str | None:
    """Return the switch that a client put on."""
    return next((name for name, value in event.items() if value == "On"), None)


def number(event: Any, name: str, default: float | None = None) -> float:
    """Return one finite number of a client's request.

    Raises
    ------
    Refused
        It is missing and has no default, or is no number.
    """
    if name not in event:
        if default is None:
            raise Refused(f"{event.vectorname} needs {name}")
        return default
    try:
        value = float(event.getfloatvalue(name))
    except TypeError:
        raise Refused(f"{name} is not a number") from None
    if not math.isfinite(value):
        raise Refused(f"{name} is not a finite number")
    return value


def set_only(vector: SwitchVector, name: str | None) -> None:
    """Put one switch on and the others off."""
    for member in vector:
        vector[member] = "On" if member == name else "Off"


class DriverDevice(Device):  # type: ignore[misc]  # indipydriver is untyped
    """One INDI device that can be connected.

    Parameters
    ----------
    name : str
        Device name.
    interface : int
        INDI's interface bits.
    properties : list
        Its properties while connected.
    """

    DRIVER_NAME: ClassVar[str]
    """What the driver calls itself."""
    EXECUTABLE: ClassVar[str]
    """The program that serves it."""

    def __init__(self, name: str, interface: int, properties: list[Any]) -> None:
        self.connection = switches(
            "CONNECTION",
            "Connection",
            "Main Control",
            [("CONNECT", "Connect"), ("DISCONNECT", "Disconnect")],
            on="DISCONNECT",
        )
        info = texts(
            "DRIVER_INFO",
            "Driver Info",
            "General Info",
            [
                ("DRIVER_NAME", "Name", self.DRIVER_NAME),
                ("DRIVER_EXEC", "Exec", self.EXECUTABLE),
                ("DRIVER_VERSION", "Version", VERSION),
                ("DRIVER_INTERFACE", "Interface", str(interface)),
            ],
        )
        super().__init__(name, [self.connection, info, *properties])
        self._own = properties
        for vector in properties:
            vector.enable = False
        self.connected = False

    async def handle(self, event: Any) -> None:
        """Do what a client asks, or say why not."""
        vector = event.vector
        if event.vectorname == "CONNECTION":
            await self._connect(chosen(event) == "CONNECT")
            return
        if vector.perm == "ro":
            return
        try:
            await self.asked(event)
        except Refused as answer:
            await self.refuse(vector, str(answer))

    async def refuse(self, vector: Any, message: str) -> None:
        """Answer Alert with a reason."""
        if vector.vectortype == "BLOBVector":
            await self.send_device_message(message)
        else:
            await vector.send_setVector(state="Alert", message=message)

    async def _connect(self, wanted: bool) -> None:
        """Show or withdraw the device's properties."""
        if wanted and not self.connected:
            try:
                await self.opening()
            except Refused as answer:
                await self.refuse(self.connection, str(answer))
                return
        set_only(self.connection, "CONNECT" if wanted else "DISCONNECT")
        if wanted == self.connected:
            await self.connection.send_setVector(state="Ok" if wanted else "Idle")
            return
        self.connected = wanted
        if wanted:
            await self.connection.send_setVector(state="Ok")
            self.connecting()
            for vector in self._own:
                vector.enable = True
                await vector.send_defVector()
        else:
            await self.disconnecting()
            for vector in self._own:
                await vector.send_delProperty()
            await self.connection.send_setVector(state="Idle")

    # for the devices to fill in

    async def opening(self) -> None:
        """Open what the device stands for; raise Refused where it cannot be reached."""

    def connecting(self) -> None:
        """Bring the values up to date before they are shown."""

    async def disconnecting(self) -> None:
        """Stop what runs."""

    async def asked(self, event: Any) -> None:
        """Do what a client asks of one property; raise Refused where it cannot be."""

    async def tick(self) -> None:
        """Publish what changed; called several times a second."""
