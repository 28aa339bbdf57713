"""Connection: one object is one connection to an INDI server, never reused."""

import asyncio
import logging
import os
import re
import socket
import time
import weakref
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from typing import Any

import PyIndi

from polewright.adapters.indi.client import FAREWELL, WireClient
from polewright.adapters.indi.event_stream import EventStream
from polewright.adapters.indi.relay import Relay, dial
from polewright.adapters.indi.snapshot import (
    BlobSnapshot,
    ConnectionEnded,
    DeviceAppeared,
    DeviceMessage,
    DeviceRemoved,
    Event,
    PingAnswered,
    PropertyRemoved,
    PropertySnapshot,
)
from polewright.core.errors import DeviceError, LinkError

_LOG = logging.getLogger(__name__)

DEFAULT_PORT = 7624
# TCP to a small computer over a busy Wi-Fi: well under 1 s when it answers at all (s).
CONNECT_TIMEOUT_S = 5.0
# The library's way to the relay does not leave this process (s).
LIBRARY_CONNECT_S = 2
# An INDI server names its devices or answers a ping within milliseconds; a loaded one needs
# longer to start its drivers (s).
HANDSHAKE_TIMEOUT_S = 5.0
# A server that answers pings at all does so at once; others cost this much at each start (s).
FIRST_PING_S = 0.5
# How often the age of the last message is looked at (s).
LIVENESS_PERIOD_S = 1.0
# A silence this long makes this side ask the server whether it lives (s).
QUIET_S = 3.0
# A server that lives answers a ping in milliseconds, yet a long frame may be ahead of it on a
# slow link (s).
PING_TIMEOUT_S = 5.0
# The library's reading thread ends within a millisecond of its socket; it may be amid a frame (s).
HANG_UP_S = 1.0
# How many lines of drivers' text are kept to explain a failure.
MESSAGES_KEPT = 50

_MESSAGE_TIME = re.compile(r"^\d{4}-\d\d-\d\dT[\d:.]+Z?: ")

START_REMEDY = "Start the INDI server, or correct its address in the settings"


class IndiConnection:
    """One connection; make it with :meth:`open`.

    Attributes
    ----------
    host : str
        Where the server is.
    port : int
        Its TCP port.
    lost : asyncio.Event
        Set when the connection is gone, for whatever reason.
    loss_reason : str
        Why, in words; empty while it lives.
    """

    def __init__(self, host: str, port: int, relay: Relay) -> None:
        self.host = host
        self.port = port
        self.lost = asyncio.Event()
        self.loss_reason = ""
        self._loop = asyncio.get_running_loop()
        self._relay = relay
        self._client = WireClient(self._from_library, relay.take_blobs)
        self._properties: dict[tuple[str, str], PropertySnapshot] = {}
        self._devices: dict[str, None] = {}
        self._streams: dict[EventStream, str | None] = {}
        self._messages: deque[DeviceMessage] = deque(maxlen=MESSAGES_KEPT)
        self._serial = 0
        self._last_heard_s = time.monotonic()
        self._ping_sent_s: float | None = None
        self._answers_pings = False
        self._timer: asyncio.TimerHandle | None = None
        self._hang_up = weakref.finalize(self, _hang_up, self._client, relay)

    @classmethod
    @asynccontextmanager
    async def open(
        cls,
        host: str = "localhost",
        port: int = DEFAULT_PORT,
        *,
        connect_timeout_s: float = CONNECT_TIMEOUT_S,
        handshake_timeout_s: float = HANDSHAKE_TIMEOUT_S,
    ) -> AsyncIterator["IndiConnection"]:
        """Connect, and disconnect at the end of the block.

        Parameters
        ----------
        host : str
            Name or address of the server.
        port : int
            Its TCP port.
        connect_timeout_s : float
            Longest wait for the TCP connection (s).
        handshake_timeout_s : float
            Longest wait for the server's first word (s).

        Raises
        ------
        LinkError
            Where nothing listens, or what listens does not speak INDI.
        """
        connection = cls(host, port, Relay(await _dialled(host, port, connect_timeout_s)))
        try:
            await connection._connect(handshake_timeout_s)
            yield connection
        finally:
            await asyncio.shield(connection._close())

    # -- what is known ------------------------------------------------------------------------

    @property
    def where(self) -> str:
        """The server's address as a person writes it."""
        return _written(self.host, self.port)

    @property
    def serial(self) -> int:
        """Number of events so far; a wait ``since`` this number takes only later ones."""
        return self._serial

    @property
    def devices(self) -> tuple[str, ...]:
        """Names of the devices announced so far, in order of appearance."""
        return tuple(self._devices)

    def ensure_alive(self) -> None:
        """Raise LinkError where the connection is gone."""
        if self.lost.is_set():
            raise LinkError(
                f"The connection to the INDI server at {self.where} is lost ({self.loss_reason})",
                remedy="Check the server, its power and the network; then connect again",
            )

    def read(self, device: str, name: str) -> PropertySnapshot | None:
        """Return the latest snapshot of a property, None where the device has none."""
        return self._properties.get((device, name))

    def properties(self, device: str) -> tuple[PropertySnapshot, ...]:
        """Return the latest snapshots of all properties of a device."""
        return tuple(p for (owner, _), p in self._properties.items() if owner == device)

    def last_message(self, device: str, *, since: int = 0) -> str:
        """Return the last line that a driver sent for people after ``since``, empty if none."""
        for message in reversed(self._messages):
            if message.device == device and message.serial > since:
                # The library writes "time: text", and most drivers begin with "[LEVEL] ".
                text = _MESSAGE_TIME.sub("", message.text)
                return text.split("] ")[-1].strip().rstrip(".")
        return ""

    @property
    def frame_bytes(self) -> int:
        """How many encoded bytes of frames have arrived so far, unfinished ones included."""
        return self._relay.content_bytes

    # -- sending ------------------------------------------------------------------------------

    def send_numbers(self, device: str, name: str, values: Mapping[str, float]) -> int:
        """Ask for new numbers, all elements in one message.

        Returns
        -------
        int
            The serial before which every event is older than the request.

        Raises
        ------
        LinkError
            When the connection is lost.
        """
        outgoing = _addressed(PyIndi.PropertyNumber(len(values)), device, name)
        for element, (key, value) in zip(outgoing, values.items(), strict=True):
            element.setName(key)
            element.setValue(float(value))
        return self._send(self._client.sendNewNumber, outgoing)

    def send_switch(self, device: str, name: str, values: Mapping[str, bool]) -> int:
        """Ask for new switch states; see :meth:`send_numbers`."""
        outgoing = _addressed(PyIndi.PropertySwitch(len(values)), device, name)
        for element, (key, value) in zip(outgoing, values.items(), strict=True):
            element.setName(key)
            element.setState(PyIndi.ISS_ON if value else PyIndi.ISS_OFF)
        return self._send(self._client.sendNewSwitch, outgoing)

    def send_text(self, device: str, name: str, values: Mapping[str, str]) -> int:
        """Ask for new texts; see :meth:`send_numbers`."""
        outgoing = _addressed(PyIndi.PropertyText(len(values)), device, name)
        for element, (key, value) in zip(outgoing, values.items(), strict=True):
            element.setName(key)
            element.setText(value)
        return self._send(self._client.sendNewText, outgoing)

    def enable_blobs(self, device: str) -> None:
        """Ask the server to send this device's frames on this connection."""
        self.ensure_alive()
        self._client.setBLOBMode(PyIndi.B_ALSO, device, None)

    # -- waiting ------------------------------------------------------------------------------

    @contextmanager
    def subscribe(self, device: str | None = None) -> Iterator[EventStream]:
        """Collect the events of a device (None: of all) from now to the end of the block."""
        stream = EventStream(self.ensure_alive)
        self._streams[stream] = device
        try:
            yield stream
        finally:
            del self._streams[stream]

    async def wait_for(
        self,
        device: str,
        name: str,
        predicate: Callable[[PropertySnapshot], bool],
        timeout_s: float,
        *,
        since: int | None = None,
        task: str = "",
    ) -> PropertySnapshot:
        """Wait until a property satisfies a predicate.

        Parameters
        ----------
        device, name : str
            Which property; it need not exist yet.
        predicate : callable
            Takes a snapshot, returns whether the wait is over.
        timeout_s : float
            Longest wait (s).
        since : int or None
            Only snapshots with a larger serial count, of a property that was there at that
            serial; None: the present one counts too.
        task : str
            What is being waited for, in words, for the error.

        Returns
        -------
        PropertySnapshot
            The one that satisfied the predicate.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            When the time is over (code ``no_answer``) or the property is withdrawn meanwhile
            (code ``device_gone``).
        """
        task = task or f"report {name}"
        with self.subscribe(device) as events:
            self.ensure_alive()
            snapshot = self.read(device, name)
            if (
                snapshot is not None
                and snapshot.serial > (-1 if since is None else since)
                and predicate(snapshot)
            ):
                return snapshot
            if snapshot is None and since is not None:
                raise gone(device, task)  # it was there when ``since`` was taken
            try:
                async with asyncio.timeout(timeout_s):
                    async for event in events:
                        if (
                            isinstance(event, PropertySnapshot)
                            and event.name == name
                            and predicate(event)
                        ):
                            return event
                        if is_withdrawal(event, name):
                            raise gone(device, task)
            except TimeoutError:
                pass
        raise DeviceError(
            f"{device} did not {task} within {timeout_s:g} s",
            remedy="Check its power and cable; restart its driver if it stays silent",
            code="no_answer",
        )

    # -- inside -------------------------------------------------------------------------------

    async def _connect(self, handshake_timeout_s: float) -> None:
        """Connect the library's client and wait for the server's first word."""
        with self.subscribe() as events:
            connected = await asyncio.shield(
                asyncio.to_thread(
                    self._relay.connect,
                    self._connect_library,
                    f"<message message='{FAREWELL}'/>\n".encode(),
                    self._client.withdrawals,
                )
            )
            if not connected:
                raise LinkError(
                    f"The INDI library did not connect to the server at {self.where}",
                    remedy="Try again; restart the program if it happens twice",
                )
            self._ping()
            try:
                async with asyncio.timeout(handshake_timeout_s):
                    async for event in events:
                        if isinstance(event, DeviceAppeared | PropertySnapshot | PingAnswered):
                            break
            except TimeoutError:
                raise LinkError(
                    f"Something listens at {self.where} but did not answer in"
                    f" {handshake_timeout_s:g} s: it hangs, or it is not an INDI server",
                    remedy="Restart the INDI server, or correct its address in the settings",
                    code="server_silent",
                ) from None
            except LinkError:
                raise LinkError(
                    f"What listens at {self.where} closed the connection at once: it is probably"
                    " not an INDI server",
                    remedy=START_REMEDY,
                ) from None
            if not await self._pong(events):
                _LOG.debug("%s answers no pings: if it freezes, only waits notice", self.where)
        self._ping_sent_s = None
        self._timer = self._loop.call_later(LIVENESS_PERIOD_S, self._look_alive)

    def _connect_library(self, address: str, port: int) -> bool:
        """Let the library connect to the relay (blocking)."""
        self._client.setServer(address, port)
        self._client.setConnectionTimeout(LIBRARY_CONNECT_S, 0)
        return bool(self._client.connectServer())

    async def _pong(self, events: EventStream) -> bool:
        """Return whether the first ping is answered."""
        try:
            async with asyncio.timeout(FIRST_PING_S):
                while not self._answers_pings:
                    await anext(events)
        except TimeoutError:
            return False
        return True

    async def _close(self) -> None:
        """Disconnect; harmless when already lost."""
        if self._timer is not None:
            self._timer.cancel()
        self._end("closed by this side")
        await asyncio.to_thread(self._hang_up)

    def _send(self, sender: Callable[[Any], None], outgoing: Any) -> int:
        """Send one request."""
        self.ensure_alive()
        serial = self._serial
        sender(outgoing)
        return serial

    def _from_library(self, event: Event) -> None:
        """Hand an event from the library's thread to the loop."""
        # A loop that was closed meanwhile wants no more events.
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._deliver, event)

    def _deliver(self, event: Event) -> None:
        """Record one event and pass it on, in the loop."""
        self._serial += 1
        self._last_heard_s = time.monotonic()
        event = replace(event, serial=self._serial)
        match event:
            case PropertySnapshot():
                self._devices.setdefault(event.device)
                self._properties[event.device, event.name] = event
            case DeviceAppeared():
                self._devices.setdefault(event.device)
            case PropertyRemoved():
                self._properties.pop((event.device, event.name), None)
            case DeviceRemoved():
                self._devices.pop(event.device, None)
                for key in [key for key in self._properties if key[0] == event.device]:
                    del self._properties[key]
            case DeviceMessage():
                _LOG.debug("%s says: %s", event.device or self.where, event.text)
                self._messages.append(event)
            case PingAnswered():
                self._answers_pings = True
            case ConnectionEnded():
                self._end(event.reason)
                return
            case BlobSnapshot():
                pass
        self._ping_sent_s = None
        self._pass_on(event)

    def _pass_on(self, event: Event) -> None:
        """Give an event to every stream that asked for it."""
        for stream, device in self._streams.items():
            if device is None or isinstance(event, ConnectionEnded) or _of(event) == device:
                stream.put(event)

    def _end(self, reason: str) -> None:
        """Declare the connection gone and wake every waiter."""
        if self.lost.is_set():
            return
        self.loss_reason = reason
        self.lost.set()
        self._pass_on(ConnectionEnded(reason=reason))

    def _ping(self) -> None:
        """Ask the server whether it lives."""
        self._ping_sent_s = time.monotonic()
        self._client.sendPingRequest(f"polewright-{self._serial}")

    def _look_alive(self) -> None:
        """Ask a silent server whether it lives; give a dead one up.

        The library has no keep-alive of its own, so a frozen server would never be noticed.
        Only a server that answered the first ping can be judged by its silence.
        """
        if self.lost.is_set():
            return
        now_s = time.monotonic()
        # A frame is told of only when all of it has arrived; the relay knows of each piece.
        silent_s = min(now_s - self._last_heard_s, self._relay.silent_for_s())
        if silent_s < QUIET_S:
            self._ping_sent_s = None
        elif self._answers_pings and self._ping_sent_s is None:
            self._ping()
        elif self._ping_sent_s is not None and now_s - self._ping_sent_s > PING_TIMEOUT_S:
            self._end("the server has stopped answering")
            return
        self._timer = self._loop.call_later(LIVENESS_PERIOD_S, self._look_alive)


def _hang_up(client: WireClient, relay: Relay) -> None:
    """Disconnect the library's client (blocking).

    Without this the library ends the whole process when its client is collected, or at exit.
    The library holds Python's interpreter lock while it waits for its reading thread to end.
    Where that thread waits for the lock itself, to call back, the whole process stands still
    for 2 s.  A connection that the relay shuts down ends the thread first.
    """
    relay.hang_up()
    # The thread must be gone, not only have said so: on its way out of the callback it needs the
    # interpreter lock, which the library's call below holds.
    if client.ended.wait(HANG_UP_S if relay.connected else 0.0):
        _wait_for_end(client.reading_thread, HANG_UP_S)
    client.disconnectServer()
    relay.close()


def _wait_for_end(thread: int, longest_s: float) -> None:
    """Wait until a native thread of this process is gone (blocking)."""
    deadline_s = time.monotonic() + longest_s
    while time.monotonic() < deadline_s and os.path.exists(f"/proc/self/task/{thread}"):
        time.sleep(0.001)


def is_withdrawal(event: Event, name: str) -> bool:
    """Return True where this event of a device takes the named property away."""
    return isinstance(event, DeviceRemoved) or (
        isinstance(event, PropertyRemoved) and event.name == name
    )


def gone(device: str, task: str) -> DeviceError:
    """Return the error for a device that vanished while it should ``task``."""
    return DeviceError(
        f"{device} vanished before it could {task}: its driver stopped or restarted",
        remedy="Check the device's power and cable, then try again",
        code="device_gone",
    )


def stopped_before(device: str, motion: str) -> DeviceError:
    """Return the error for a motion that was given up, by a stop, before it was sent."""
    return DeviceError(
        f"{device} was told to stop before its {motion} was sent",
        remedy="Start again when ready",
        code="stopped",
    )


def _of(event: Event) -> str:
    """Return the device that an event belongs to."""
    return "" if isinstance(event, PingAnswered | ConnectionEnded) else event.device


def _addressed(outgoing: Any, device: str, name: str) -> Any:
    """Write device and property on an outgoing vector, made anew so that no live one changes."""
    outgoing.setDeviceName(device)
    outgoing.setName(name)
    return outgoing


def _written(host: str, port: int) -> str:
    """Return an address as a person writes it: IPv6 ones in brackets."""
    return f"[{host}]:{port}" if ":" in host and not host.startswith("[") else f"{host}:{port}"


async def _dialled(host: str, port: int, timeout_s: float) -> socket.socket:
    """Return a socket that is connected to the server, or say why there is none."""
    try:
        return await dial(host, port, timeout_s)
    except TimeoutError:
        reason = f"no answer in {timeout_s:g} s"
    except ConnectionRefusedError:
        reason = "nothing listens there"
    except OSError as error:
        reason = error.strerror or str(error)
    raise LinkError(
        f"No INDI server at {_written(host, port)} ({reason}): no device can be reached",
        remedy=START_REMEDY,
    )
