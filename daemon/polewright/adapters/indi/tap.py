"""Tap: a second handle on the TCP socket that the INDI library keeps to itself."""

import contextlib
import logging
import os
import socket
import struct
import threading
import time
from collections.abc import Callable

_LOG = logging.getLogger(__name__)

# A peer that vanished without a goodbye (power cut, cable) is declared dead by the kernel after
# some 11 s: idle 5 s, then 3 probes 2 s apart.
KEEPALIVE_IDLE_S = 5
KEEPALIVE_INTERVAL_S = 2
KEEPALIVE_PROBES = 3
# The same bound for a peer that vanished while something was on its way (ms).
UNACKNOWLEDGED_MS = 11_000

# struct tcp_info of Linux (include/uapi/linux/tcp.h): 8 bytes, then 32-bit counters of which the
# twelfth is the time since data last came in (ms).
_TCP_INFO_SIZE = 104
_LAST_DATA_RECEIVED_OFFSET = 8 + 11 * 4
_ONE_AT_A_TIME = threading.Lock()


class SocketTap:
    """A duplicate of the library's socket: options, life signs, and an end without deadlock.

    The library holds Python's interpreter lock while it waits for its reading thread to end.
    Where that thread waits for the lock itself, to call back, the whole process stands still
    for 2 s.  A socket shut down from here ends the thread first.
    """

    def __init__(self, duplicate: socket.socket) -> None:
        self._socket = duplicate
        # The library writes messages in several pieces; without this each waits for the
        # acknowledgement of the one before, up to 40 ms.
        duplicate.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        duplicate.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        duplicate.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEPALIVE_IDLE_S)
        duplicate.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, KEEPALIVE_INTERVAL_S)
        duplicate.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, KEEPALIVE_PROBES)
        duplicate.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS)

    def silent_for_s(self) -> float:
        """Return how long ago the last byte came in (s): it counts frames still under way."""
        try:
            info = self._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _TCP_INFO_SIZE)
            (milliseconds,) = struct.unpack_from("=I", info, _LAST_DATA_RECEIVED_OFFSET)
        except (OSError, struct.error):
            return float("inf")
        return float(milliseconds) / 1000.0

    def shut_down(self) -> None:
        """End the connection for the library, too."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    @staticmethod
    def wait_for_end(thread: int, longest_s: float) -> None:
        """Wait until a native thread of this process is gone (blocking)."""
        deadline_s = time.monotonic() + longest_s
        while time.monotonic() < deadline_s and os.path.exists(f"/proc/self/task/{thread}"):
            time.sleep(0.001)

    def close(self) -> None:
        """Give the duplicate back."""
        self._socket.close()


def connect_tapped(
    connect: Callable[[], bool], address: str, port: int
) -> tuple[bool, SocketTap | None]:
    """Let the library connect and find the socket that it opened (blocking).

    Parameters
    ----------
    connect : callable
        Connects; returns whether it succeeded.
    address : str
        Numeric address of the server.
    port : int
        Its TCP port.

    Returns
    -------
    bool
        Whether it is connected.
    SocketTap or None
        None where the socket could not be found: everything works, but for what a tap is for.
    """
    with _ONE_AT_A_TIME:
        before = _own_ends(address, port)
        connected = bool(connect())
        if not connected:
            return False, None
        new = {end: fd for end, fd in _own_ends(address, port).items() if end not in before}
        if len(new) != 1:
            _LOG.debug("%d new sockets to %s:%d, so no tap", len(new), address, port)
            return True, None
        (descriptor,) = new.values()
        return True, SocketTap(socket.socket(fileno=os.dup(descriptor)))


def _own_ends(address: str, port: int) -> dict[tuple[str, int], int]:
    """Return this process's connected sockets to a peer: own address to descriptor."""
    ends: dict[tuple[str, int], int] = {}
    try:
        descriptors = [int(name) for name in os.listdir("/proc/self/fd")]
    except OSError:
        return ends
    for descriptor in descriptors:
        try:
            if not os.readlink(f"/proc/self/fd/{descriptor}").startswith("socket:"):
                continue
            with socket.socket(fileno=os.dup(descriptor)) as duplicate:
                if duplicate.family == socket.AF_INET and duplicate.getpeername() == (
                    address,
                    port,
                ):
                    ends[duplicate.getsockname()] = descriptor
        except OSError:
            # Closed meanwhile, or not connected.
            continue
    return ends
