"""Snapshots: what an INDI property said at one moment, as plain immutable values."""

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType


class PropertyState(StrEnum):
    """The four states of the INDI protocol (J. Downey, INDI protocol 1.7)."""

    IDLE = "Idle"
    OK = "Ok"
    BUSY = "Busy"
    ALERT = "Alert"


class PropertyKind(StrEnum):
    """What a property's elements hold."""

    NUMBER = "number"
    SWITCH = "switch"
    TEXT = "text"
    LIGHT = "light"
    BLOB = "blob"


@dataclass(frozen=True, slots=True, kw_only=True)
class PropertySnapshot:
    """One property at one moment.

    Attributes
    ----------
    device, name : str
        Which property of which device.
    kind : PropertyKind
        What its elements hold.
    state : PropertyState
        Idle, Ok, Busy or Alert.
    numbers : mapping of str to float
        Element values of a number property.
    limits : mapping of str to (float, float)
        Smallest and largest value of each number, as the driver declares them.
    switches : mapping of str to bool
        Element values of a switch property.
    texts : mapping of str to str
        Element values of a text property.
    serial : int
        Counts every event of the connection; later events have larger numbers.
    received_s : float
        Monotonic time of reception (s).
    """

    device: str
    name: str
    kind: PropertyKind
    state: PropertyState
    numbers: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    limits: Mapping[str, tuple[float, float]] = field(default_factory=lambda: MappingProxyType({}))
    switches: Mapping[str, bool] = field(default_factory=lambda: MappingProxyType({}))
    texts: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    serial: int = 0
    received_s: float = field(default_factory=time.monotonic)

    @property
    def busy(self) -> bool:
        """True while the device works on it."""
        return self.state is PropertyState.BUSY

    @property
    def failed(self) -> bool:
        """True where the device reports failure."""
        return self.state is PropertyState.ALERT

    def is_on(self, element: str) -> bool:
        """Return True where this switch exists and is on."""
        return self.switches.get(element, False)


def is_compressed(kind: str) -> bool:
    """Return True where a BLOB of this format is shorter than its declared size."""
    return kind.lower().endswith((".z", ".fz", ".gz"))


@dataclass(frozen=True, slots=True, kw_only=True)
class BlobSnapshot:
    """One binary element as it arrived.

    Attributes
    ----------
    device, name, element : str
        Where it came from.
    format : str
        As the driver names it, for example ``".fits"`` or ``".fits.z"``.
    data : bytes
        A copy of what arrived; still compressed where the format ends with ``.z``, ``.fz`` or
        ``.gz``.
    declared_size : int
        Size that the driver declared, uncompressed (bytes).
    serial : int
        Counts every event of the connection.
    received_s : float
        Monotonic time of reception (s).
    """

    device: str
    name: str
    element: str
    format: str
    data: bytes = field(repr=False)
    declared_size: int
    serial: int = 0
    received_s: float = field(default_factory=time.monotonic)

    @property
    def zlib_packed(self) -> bool:
        """True where the bytes are a zlib stream."""
        return self.format.lower().endswith(".z")

    @property
    def truncated(self) -> bool:
        """True where fewer bytes arrived than were declared; unknown, so False, if compressed."""
        return not is_compressed(self.format) and len(self.data) < self.declared_size


@dataclass(frozen=True, slots=True, kw_only=True)
class PropertyRemoved:
    """A property was withdrawn: its driver stopped, restarted or disconnected from the device."""

    device: str
    name: str
    serial: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceAppeared:
    """A device was announced."""

    device: str
    serial: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRemoved:
    """A device vanished."""

    device: str
    serial: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceMessage:
    """A line of text that a driver sent for people."""

    device: str
    text: str
    serial: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PingAnswered:
    """The server answered a ping."""

    uid: str
    serial: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectionEnded:
    """The server closed the connection, or the library did."""

    reason: str
    serial: int = 0


Event = (
    PropertySnapshot
    | BlobSnapshot
    | PropertyRemoved
    | DeviceAppeared
    | DeviceRemoved
    | DeviceMessage
    | PingAnswered
    | ConnectionEnded
)
