"""Relay: the one road between the INDI library and a server, inside this process.

The library speaks IPv4 only, keeps its socket to itself and stumbles over odd BLOBs.  So it
connects to a loopback port of this relay, which holds the real connection: IPv6 works, the
socket has a keep-alive, every byte that arrives is a sign of life, BLOBs are decoded here, and
the traffic can be written down.
"""

import asyncio
import contextlib
import logging
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol

from polewright.adapters.indi.blobs import BlobFilter
from polewright.adapters.indi.snapshot import BlobSnapshot

_LOG = logging.getLogger(__name__)

# A peer that vanished without a goodbye (power cut, cable) is declared dead by the kernel after
# some 11 s: idle 5 s, then 3 probes 2 s apart.
KEEPALIVE_IDLE_S = 5
KEEPALIVE_INTERVAL_S = 2
KEEPALIVE_PROBES = 3
# The same bound for a peer that vanished while something was on its way (ms).
UNACKNOWLEDGED_MS = 11_000
# The library's own connection is made when it says so; this is never waited for (s).
ACCEPT_S = 1.0
# A thread ends as soon as its socket is shut down; it may be amid a piece (s).
JOIN_S = 1.0
# Decoding a piece holds the interpreter's lock for about 0.6 ms.
_PIECE_BYTES = 131_072


class Traffic(Protocol):
    """Someone who writes down what passes; called in the relay's threads."""

    def opened(self) -> None:
        """Note a new connection."""

    def sent(self, data: bytes) -> None:
        """Take bytes on their way to the server."""

    def received(self, data: bytes, blobs: BlobFilter) -> None:
        """Take bytes from the server, BLOB contents left out."""


_TRAFFIC: ContextVar[Traffic | None] = ContextVar("indi_traffic", default=None)


@contextmanager
def observed_by(traffic: Traffic) -> Iterator[None]:
    """Show the traffic of every connection that is opened within the block."""
    token = _TRAFFIC.set(traffic)
    try:
        yield
    finally:
        _TRAFFIC.reset(token)


class Relay:
    """One connection to a server and the library's connection to it.

    Parameters
    ----------
    upstream : socket.socket
        Connected to the server; owned from now on.
    """

    def __init__(self, upstream: socket.socket) -> None:
        upstream.setblocking(True)
        upstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        upstream.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        upstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEPALIVE_IDLE_S)
        upstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, KEEPALIVE_INTERVAL_S)
        upstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, KEEPALIVE_PROBES)
        upstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS)
        self._upstream = upstream
        self._downstream: socket.socket | None = None
        self._blobs = BlobFilter()
        self._heard_s = time.monotonic()
        self._threads: list[threading.Thread] = []
        self._traffic = _TRAFFIC.get()
        self._farewell = b""
        self._last_words: Callable[[], bytes] = bytes

    def connect(
        self,
        library_connects: Callable[[str, int], bool],
        farewell: bytes = b"",
        last_words: Callable[[], bytes] = bytes,
    ) -> bool:
        """Let the library connect, and begin to pass on (blocking).

        Parameters
        ----------
        library_connects : callable
            Takes address and port; returns whether it succeeded.
        farewell : bytes
            Said to the library when the server has gone, before its connection ends.
        last_words : callable
            What is said after that; may wait a moment.
        """
        self._farewell, self._last_words = farewell, last_words
        with socket.create_server(("127.0.0.1", 0), backlog=1) as listener:
            listener.settimeout(ACCEPT_S)
            if not library_connects("127.0.0.1", listener.getsockname()[1]):
                return False
            self._downstream, _ = listener.accept()
        self._downstream.setblocking(True)
        self._downstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._traffic is not None:
            self._traffic.opened()
        for work in (self._to_library, self._to_server):
            thread = threading.Thread(target=self._until_the_end, args=(work,), daemon=True)
            thread.name = f"indi{work.__name__}"
            self._threads.append(thread)
            thread.start()
        return True

    @property
    def connected(self) -> bool:
        """True once the library has connected."""
        return self._downstream is not None

    @property
    def content_bytes(self) -> int:
        """How many encoded bytes of BLOBs have arrived so far, unfinished ones included."""
        return self._blobs.content_bytes

    def take_blobs(self, device: str, name: str) -> tuple[BlobSnapshot, ...]:
        """Return the contents that belong to the BLOB vector that the library just met."""
        return self._blobs.take(device, name)

    def silent_for_s(self) -> float:
        """Return how long ago the last byte came in (s): it counts frames still under way."""
        return time.monotonic() - self._heard_s

    def hang_up(self) -> None:
        """End the connection to the server; the library's follows in order."""
        _shut_down(self._upstream)

    def close(self) -> None:
        """End everything and give the sockets back (blocking, bounded)."""
        _shut_down(self._upstream)
        if self._downstream is not None:
            _shut_down(self._downstream)
        for thread in self._threads:
            thread.join(JOIN_S)
        for end in (self._upstream, self._downstream):
            if end is not None:
                end.close()

    def _until_the_end(self, work: Callable[[socket.socket], None]) -> None:
        """Run one direction; its end is the end of both."""
        downstream = self._downstream
        if downstream is None:
            return
        try:
            work(downstream)
        except OSError as error:
            _LOG.debug("%s ended: %s", threading.current_thread().name, error)
        except Exception:
            _LOG.exception("the relay to the INDI server failed")
        finally:
            _shut_down(self._upstream)
            if work == self._to_library:
                with contextlib.suppress(OSError):
                    downstream.sendall(self._farewell)
                    downstream.sendall(self._last_words())
                _shut_down(downstream)

    def _to_library(self, downstream: socket.socket) -> None:
        """Pass on what the server says, without the contents of BLOBs."""
        while data := self._upstream.recv(_PIECE_BYTES):
            self._heard_s = time.monotonic()
            rest = self._blobs.feed(data)
            if rest:
                if self._traffic is not None:
                    self._traffic.received(rest, self._blobs)
                downstream.sendall(rest)

    def _to_server(self, downstream: socket.socket) -> None:
        """Pass on what the library says."""
        while data := downstream.recv(_PIECE_BYTES):
            # The library writes a message in several pieces, each of which would otherwise wait
            # for the acknowledgement of the one before, up to 40 ms; the option wears off.
            downstream.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
            if self._traffic is not None:
                self._traffic.sent(data)
            self._upstream.sendall(data)


def _shut_down(end: socket.socket) -> None:
    with contextlib.suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)


async def dial(host: str, port: int, timeout_s: float) -> socket.socket:
    """Connect to the first address of a host that answers, IPv6 or IPv4.

    Parameters
    ----------
    host : str
        Name or address.
    port : int
        TCP port.
    timeout_s : float
        Longest wait for each address (s).

    Raises
    ------
    OSError
        The reason of the last address; TimeoutError where it did not answer.
    """
    loop = asyncio.get_running_loop()
    async with asyncio.timeout(timeout_s):
        found = await loop.getaddrinfo(host.strip("[]"), port, type=socket.SOCK_STREAM)
    failure: OSError = OSError("the name has no address")
    for family, kind, protocol, _, address in found:
        try:
            dialled = socket.socket(family, kind, protocol)
        except OSError as error:
            failure = error
            continue
        dialled.setblocking(False)
        try:
            async with asyncio.timeout(timeout_s / len(found)):
                await loop.sock_connect(dialled, address)
        except OSError as error:
            dialled.close()
            failure = error
        except BaseException:
            dialled.close()
            raise
        else:
            return dialled
    raise failure
