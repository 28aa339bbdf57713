"""The library's client: callbacks of its own thread become plain events."""

# ruff: noqa: N802 (the library calls these methods by these names)

import ctypes
import functools
import logging
import threading
from collections.abc import Callable
from types import MappingProxyType
from typing import Any, Concatenate, ParamSpec

import PyIndi

from polewright.adapters.indi.snapshot import (
    BlobSnapshot,
    ConnectionEnded,
    DeviceAppeared,
    DeviceMessage,
    DeviceRemoved,
    Event,
    PingAnswered,
    PropertyKind,
    PropertyRemoved,
    PropertySnapshot,
    PropertyState,
    is_compressed,
)

_LOG = logging.getLogger(__name__)
_P = ParamSpec("_P")

_STATES: dict[int, PropertyState] = {
    PyIndi.IPS_IDLE: PropertyState.IDLE,
    PyIndi.IPS_OK: PropertyState.OK,
    PyIndi.IPS_BUSY: PropertyState.BUSY,
    PyIndi.IPS_ALERT: PropertyState.ALERT,
}


def _survives(
    callback: Callable[Concatenate["WireClient", _P], None],
) -> Callable[Concatenate["WireClient", _P], None]:
    """Keep an exception inside: one that leaves a callback makes the client deaf for good."""

    def guarded(self: "WireClient", /, *args: _P.args, **kwargs: _P.kwargs) -> None:
        try:
            callback(self, *args, **kwargs)
        except Exception:
            _LOG.exception("a callback of the INDI client failed: %s", callback.__name__)

    functools.update_wrapper(guarded, callback)
    return guarded


class WireClient(PyIndi.BaseClient):  # type: ignore[misc]
    """Hands every callback to ``sink`` as a plain event, in the library's thread.

    Parameters
    ----------
    sink : callable
        Takes one event; called in the library's thread.
    """

    def __init__(self, sink: Callable[[Event], None]) -> None:
        super().__init__()
        self._sink = sink
        # Set when the reading thread has seen the end of the connection; its number for the kernel.
        self.ended = threading.Event()
        self.reading_thread = 0

    @_survives
    def newDevice(self, device: Any) -> None:
        """Announce a device."""
        self._sink(DeviceAppeared(device=device.getDeviceName()))

    @_survives
    def removeDevice(self, device: Any) -> None:
        """Announce that a device vanished."""
        self._sink(DeviceRemoved(device=device.getDeviceName()))

    @_survives
    def newProperty(self, prop: Any) -> None:
        """Announce a property."""
        self._announce(prop, arrived=False)

    @_survives
    def updateProperty(self, prop: Any) -> None:
        """Announce new values."""
        self._announce(prop, arrived=True)

    @_survives
    def removeProperty(self, prop: Any) -> None:
        """Announce that a property was withdrawn."""
        self._sink(PropertyRemoved(device=prop.getDeviceName(), name=prop.getName()))

    @_survives
    def newMessage(self, device: Any, index: int) -> None:
        """Pass on a driver's line of text."""
        self._sink(DeviceMessage(device=device.getDeviceName(), text=device.messageQueue(index)))

    @_survives
    def newUniversalMessage(self, text: str) -> None:
        """Pass on the server's line of text."""
        self._sink(DeviceMessage(device="", text=text))

    @_survives
    def newPingReply(self, uid: str) -> None:
        """Announce that the server lives."""
        self._sink(PingAnswered(uid=uid))

    @_survives
    def serverDisconnected(self, exit_code: int) -> None:
        """Announce the end."""
        self.reading_thread = threading.get_native_id()
        self.ended.set()
        reason = "closed by this side" if exit_code == 0 else "the server closed the connection"
        self._sink(ConnectionEnded(reason=reason))

    def _announce(self, prop: Any, *, arrived: bool) -> None:
        """Turn a live property into a snapshot, and its binary elements into copies."""
        device, name = prop.getDeviceName(), prop.getName()
        state = _STATES[prop.getState()]
        kind = prop.getType()
        if kind == PyIndi.INDI_NUMBER:
            elements = list(PyIndi.PropertyNumber(prop))
            self._sink(
                PropertySnapshot(
                    device=device,
                    name=name,
                    kind=PropertyKind.NUMBER,
                    state=state,
                    numbers=MappingProxyType({e.getName(): e.getValue() for e in elements}),
                    limits=MappingProxyType(
                        {e.getName(): (e.getMin(), e.getMax()) for e in elements}
                    ),
                )
            )
        elif kind == PyIndi.INDI_SWITCH:
            switches = {
                e.getName(): e.getState() == PyIndi.ISS_ON for e in PyIndi.PropertySwitch(prop)
            }
            self._sink(
                PropertySnapshot(
                    device=device,
                    name=name,
                    kind=PropertyKind.SWITCH,
                    state=state,
                    switches=MappingProxyType(switches),
                )
            )
        elif kind == PyIndi.INDI_TEXT:
            texts = {e.getName(): e.getText() or "" for e in PyIndi.PropertyText(prop)}
            self._sink(
                PropertySnapshot(
                    device=device,
                    name=name,
                    kind=PropertyKind.TEXT,
                    state=state,
                    texts=MappingProxyType(texts),
                )
            )
        elif kind == PyIndi.INDI_LIGHT:
            lights = {e.getName(): _STATES[e.getState()].value for e in PyIndi.PropertyLight(prop)}
            self._sink(
                PropertySnapshot(
                    device=device,
                    name=name,
                    kind=PropertyKind.LIGHT,
                    state=state,
                    texts=MappingProxyType(lights),
                )
            )
        elif kind == PyIndi.INDI_BLOB:
            blobs = [_copied(device, name, e) for e in PyIndi.PropertyBlob(prop)]
            self._sink(
                PropertySnapshot(device=device, name=name, kind=PropertyKind.BLOB, state=state)
            )
            # A state alone (for example Busy when the exposure begins) carries no bytes; what
            # marks a delivery, even an empty one, is the state Ok.
            for blob in blobs:
                if arrived and (blob.data or state is PropertyState.OK):
                    self._sink(blob)


def _copied(device: str, name: str, element: Any) -> BlobSnapshot:
    """Copy one binary element and mark the original as read.

    The library's own accessor copies as many bytes as the driver *declared*, beyond the end of
    what arrived where a frame was cut short, so the copy is made by the received length.  The
    library also shows the previous frame again where an empty one arrives, unless the lengths
    are set to 0 after reading.  Where the driver wraps its lines, as most do, the library counts
    some stray bytes behind the end of the frame.
    """
    length, size, address = element.getBlobLen(), element.getSize(), element.getBlob()
    kind = element.getFormat()
    if 0 < size < length and not is_compressed(kind):
        length = size
    data = ctypes.string_at(int(address), length) if address is not None and length > 0 else b""
    element.setBlobLen(0)
    element.setSize(0)
    return BlobSnapshot(
        device=device,
        name=name,
        element=element.getName(),
        format=kind,
        data=data,
        declared_size=size,
    )
