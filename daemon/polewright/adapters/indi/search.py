"""Search: finds a device that shows what it is only once it is connected: adjuster, sensor."""

import logging

from polewright.adapters.indi.connection import IndiConnection
from polewright.core.errors import DeviceError

_LOG = logging.getLogger(__name__)

# Bits of DRIVER_INTERFACE as INDI's library defines them, mount to spectrograph, correlator,
# output, input, power, IMU: what has one of them is something else.  Adjusters are auxiliary
# devices (bit 15), or have a newer bit, or none.
_SOMETHING_ELSE = 0x7FFF | 1 << 16 | 1 << 17 | 1 << 18 | 1 << 19
# Serial drivers search several ports before they answer (s); several candidates may be wrong.
_CONNECT_S = 10.0
# Properties follow a connection within 0.1 s, with slow hardware within a few seconds (s).
_SHOWS_S = 3.0


async def find_showing(connection: IndiConnection, essential: str, role: str) -> str | None:
    """Return the first device that shows an essential property when it is connected.

    Devices that are connected already have shown what they are; whatever was connected here and
    does not show it is disconnected again.

    Raises
    ------
    LinkError
        When the connection is lost.
    """
    for name in connection.devices:
        if not _may_be_one(connection, name):
            continue
        _LOG.info("connecting %s to see whether it is the %s", name, role)
        since = connection.send_switch(name, "CONNECTION", {"CONNECT": True, "DISCONNECT": False})
        try:
            await connection.wait_for(
                name,
                "CONNECTION",
                lambda p: p.failed or (not p.busy and p.is_on("CONNECT")),
                _CONNECT_S,
                since=since,
                task="connect",
            )
            await connection.wait_for(name, essential, lambda _: True, _SHOWS_S)
        except DeviceError as trouble:
            _LOG.debug("%s is not the %s: %s", name, role, trouble)
            connection.send_switch(name, "CONNECTION", {"CONNECT": False, "DISCONNECT": True})
            continue
        return name
    return None


def _may_be_one(connection: IndiConnection, name: str) -> bool:
    """Return whether a device is not connected and nothing else that is known."""
    link = connection.read(name, "CONNECTION")
    info = connection.read(name, "DRIVER_INFO")
    if link is None or link.is_on("CONNECT") or info is None:
        return False
    try:
        mask = int(info.texts.get("DRIVER_INTERFACE") or 0)
    except ValueError:
        return False
    return not mask & _SOMETHING_ELSE
