"""Runs polewright while every socket of Python's is watched: ``-m tests.system.listened_in ...``.

An audit hook (PEP 578) sees each address before it is used.  One beyond this machine is noted in
the file that LISTENED_IN names, and refused.  Compiled code that opens sockets by itself is not
seen: that is the INDI library alone, which connects where ``[indi]`` says.
"""

import ipaddress
import os
import sys

_NETWORK = ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo")


def _is_here(address: object) -> bool:
    if not isinstance(address, tuple):
        return True  # a Unix socket
    host = str(address[0])
    if host in ("localhost", ""):
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _hook(event: str, arguments: tuple[object, ...]) -> None:
    if event not in _NETWORK:
        return
    address = arguments[:1] if event == "socket.getaddrinfo" else arguments[1]
    if address in ((None,), None) or _is_here(address):
        return
    with open(os.environ["LISTENED_IN"], "a", encoding="utf-8") as notes:
        notes.write(f"{event} {address}\n")
    raise PermissionError(f"{event} {address}: beyond this machine")


if __name__ == "__main__":
    sys.addaudithook(_hook)
    if sys.argv[1] == "--try":
        import socket

        for address in (("192.0.2.1", 9), ("localhost", 9)):
            try:
                socket.create_connection(address, timeout=0.2)
            except OSError as refused:
                sys.stdout.write(f"{refused}\n")
        raise SystemExit(0)
    if sys.argv[1] == "--sky":
        import numpy as np
        from astropy.utils import iers

        from polewright_drivers.sky_simulator.scenario import SiteTruth
        from polewright_drivers.sky_simulator.sky import Sky

        # Long after the packaged table ends: then astropy would look for a newer one.
        seen = Sky(SiteTruth()).observed_enu(np.array([[1.0, 0.0, 0.0]]), 2.0e9)
        sys.stdout.write(f"seen {seen} auto_download {iers.conf.auto_download}\n")
        raise SystemExit(0)
    from polewright.cli import main

    raise SystemExit(main(sys.argv[1:]))
