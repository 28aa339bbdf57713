"""The library's client: callbacks of its own thread become plain events."""

# ruff: noqa: N802 (the library calls these methods by these names)

import functools
import logging
import re
import threading
from collections.abc import Callable
from types import MappingProxyType
from typing import Any, Concatenate, ParamSpec
from xml.sax.saxutils import quoteattr

import PyIndi

from polewright.adapters.indi.blobs import WAITING_DELIVERIES
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
)

_LOG = logging.getLogger(__name__)
_P = ParamSpec("_P")

_STATES: dict[int, PropertyState] = {
    PyIndi.IPS_IDLE: PropertyState.IDLE,
    PyIndi.IPS_OK: PropertyState.OK,
    PyIndi.IPS_BUSY: PropertyState.BUSY,
    PyIndi.IPS_ALERT: PropertyState.ALERT,
}


_ODD_BYTE = re.compile("[\udc80-\udcff]")


def readable(text: str) -> str:
    """Return a driver's text; bytes that are no UTF-8 are read as Latin-1, as older drivers write.

    The library hands them over as lone surrogates, which nothing can send on.
    """
    return _ODD_BYTE.sub(lambda odd: chr(ord(odd[0]) - 0xDC00), text)


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


# What the relay says in the server's place when that has gone; no driver says it.
FAREWELL = "polewright relay: no more will come"
FAREWELL_S = 1.0


class WireClient(PyIndi.BaseClient):  # type: ignore[misc]
    """Hands every callback to ``sink`` as a plain event, in the library's thread.

    Parameters
    ----------
    sink : callable
        Takes one event; called in the library's thread.
    take_blobs : callable
        Takes device and name of a BLOB vector that was met; returns its contents, which do not
        go through the library.
    """

    def __init__(
        self,
        sink: Callable[[Event], None],
        take_blobs: Callable[[str, str], tuple[BlobSnapshot, ...]],
    ) -> None:
        super().__init__()
        self._sink = sink
        self._take_blobs = take_blobs
        self._defined: dict[tuple[str, str], None] = {}
        self._silenced = threading.Event()
        # Set when the reading thread has seen the end of the connection; its number for the kernel.
        self.ended = threading.Event()
        self.reading_thread = 0

    @_survives
    def newDevice(self, device: Any) -> None:
        """Announce a device."""
        self._tell(DeviceAppeared(device=device.getDeviceName()))

    @_survives
    def removeDevice(self, device: Any) -> None:
        """Announce that a device vanished."""
        self._tell(DeviceRemoved(device=device.getDeviceName()))

    @_survives
    def newProperty(self, prop: Any) -> None:
        """Announce a property."""
        self._defined[prop.getDeviceName(), prop.getName()] = None
        if prop.getType() == PyIndi.INDI_BLOB:
            # What came while the library did not know the property would stand in for later ones.
            for _ in range(WAITING_DELIVERIES):
                self._take_blobs(prop.getDeviceName(), prop.getName())
        self._announce(prop, arrived=False)

    @_survives
    def updateProperty(self, prop: Any) -> None:
        """Announce new values."""
        self._announce(prop, arrived=True)

    @_survives
    def removeProperty(self, prop: Any) -> None:
        """Announce that a property was withdrawn."""
        if not self._silenced.is_set():
            self._defined.pop((prop.getDeviceName(), prop.getName()), None)
            self._tell(PropertyRemoved(device=prop.getDeviceName(), name=prop.getName()))

    @_survives
    def newMessage(self, device: Any, index: int) -> None:
        """Pass on a driver's line of text."""
        text = readable(device.messageQueue(index))
        self._tell(DeviceMessage(device=device.getDeviceName(), text=text))

    @_survives
    def newUniversalMessage(self, text: str) -> None:
        """Pass on the server's line of text."""
        if FAREWELL in text:
            self._tell(ConnectionEnded(reason="the server closed the connection"))
            self._silenced.set()
            return
        self._tell(DeviceMessage(device="", text=readable(text)))

    @_survives
    def newPingReply(self, uid: str) -> None:
        """Announce that the server lives."""
        self._tell(PingAnswered(uid=uid))

    @_survives
    def serverDisconnected(self, exit_code: int) -> None:
        """Announce the end."""
        self.reading_thread = threading.get_native_id()
        self.ended.set()
        reason = "closed by this side" if exit_code == 0 else "the server closed the connection"
        self._tell(ConnectionEnded(reason=reason))

    def withdrawals(self) -> bytes:
        """Return messages that withdraw every property, once the farewell is heard (blocking).

        The library gives the memory of a property back when its driver withdraws it, and never
        otherwise: some 1.5 kB each, at every connection.
        """
        if not self._silenced.wait(FAREWELL_S):
            return b""
        return "".join(
            f"<delProperty device={quoteattr(device)} name={quoteattr(name)}/>\n"
            for device, name in self._defined
        ).encode()

    def _tell(self, event: Event) -> None:
        """Pass an event on, unless the end was told already."""
        if not self._silenced.is_set():
            self._sink(event)

    def _announce(self, prop: Any, *, arrived: bool) -> None:
        """Turn a live property into a snapshot, and its binary elements into copies."""
        device, name = prop.getDeviceName(), prop.getName()
        state = _STATES[prop.getState()]
        kind = prop.getType()
        if kind == PyIndi.INDI_NUMBER:
            elements = list(PyIndi.PropertyNumber(prop))
            self._tell(
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
            self._tell(
                PropertySnapshot(
                    device=device,
                    name=name,
                    kind=PropertyKind.SWITCH,
                    state=state,
                    switches=MappingProxyType(switches),
                )
            )
        elif kind == PyIndi.INDI_TEXT:
            texts = {e.getName(): readable(e.getText() or "") for e in PyIndi.PropertyText(prop)}
            self._tell(
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
            self._tell(
                PropertySnapshot(
                    device=device,
                    name=name,
                    kind=PropertyKind.LIGHT,
                    state=state,
                    texts=MappingProxyType(lights),
                )
            )
        elif kind == PyIndi.INDI_BLOB:
            self._tell(
                PropertySnapshot(device=device, name=name, kind=PropertyKind.BLOB, state=state)
            )
            if arrived:
                for blob in self._take_blobs(device, name):
                    self._tell(blob)
