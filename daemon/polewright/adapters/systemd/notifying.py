"""Notifying: one datagram to the service manager for each thing that it wants to know.

The protocol is that of sd_notify(3): lines ``NAME=value`` to the Unix datagram socket that the
variable NOTIFY_SOCKET names.  Started by hand there is none, and nothing is said.
"""

import contextlib
import logging
import os
import socket
from collections.abc import MutableMapping

log = logging.getLogger(__name__)

SOCKET_VARIABLE = "NOTIFY_SOCKET"
WATCHDOG_VARIABLE = "WATCHDOG_USEC"
WATCHDOG_PROCESS_VARIABLE = "WATCHDOG_PID"

# A state in words is one line in the manager's listings; longer ones are cut there anyway.
_MOST_WORDS = 200
_MICROSECONDS = 1_000_000


class ServiceManager:
    """Tells the service manager how the service is; never blocks, never raises.

    Parameters
    ----------
    address : str
        Its socket: a path, or ``@`` and an abstract name.
    watchdog_s : float, optional
        A sign of life is due at least this often (s); None where none is asked for.
    """

    def __init__(self, address: str, *, watchdog_s: float | None = None) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog_s = watchdog_s
        self._failed = False

    def ready(self) -> None:
        """Say that the service answers now."""
        self._send("READY=1")

    def alive(self) -> None:
        """Give a sign of life."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the service ends in order."""
        self._send("STOPPING=1", "STATUS=ending: whatever moves is stopped first")

    def status(self, words: str) -> None:
        """Say in words how things stand."""
        self._send("STATUS=" + " ".join(words.split())[:_MOST_WORDS])

    def _send(self, *lines: str) -> None:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)
                sender.sendto("\n".join(lines).encode(), self._address)
        except OSError as trouble:
            log.log(
                logging.DEBUG if self._failed else logging.WARNING,
                "The service manager cannot be told anything: %s", trouble.strerror or trouble,
            )  # fmt: skip
            self._failed = True


def service_manager(environment: MutableMapping[str, str] | None = None) -> ServiceManager | None:
    """Return the service manager that started this process; None where there is none.

    Its variables are taken out, so that programs which the service starts do not speak for it.
    """
    variables = os.environ if environment is None else environment
    address = variables.pop(SOCKET_VARIABLE, "")
    watchdog = variables.pop(WATCHDOG_VARIABLE, "")
    process = variables.pop(WATCHDOG_PROCESS_VARIABLE, "")
    if not address.startswith(("/", "@")):
        return None
    watchdog_s: float | None = None
    if process in ("", str(os.getpid())):
        with contextlib.suppress(ValueError):
            watchdog_s = int(watchdog) / _MICROSECONDS
    return ServiceManager(address, watchdog_s=watchdog_s or None)
