"""Sync: tells a mount where it points, and leaves it ready for go-tos."""

import asyncio

from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.equatorial import HOURS_TO_DEG, Position, position_in
from polewright.core.errors import DeviceError

# A mount shows what it was told to believe within a few polling periods (s).
SYNC_S = 6.0
# Models of the mount's own may leave some arcmin between what it is told and what it shows (deg).
SYNCED_WITHIN_DEG = 0.25


async def sync_to(device: IndiDevice, equatorial: str, place: Position) -> None:
    """Let a mount believe that it points at a place, and return when it shows that.

    Parameters
    ----------
    device : IndiDevice
        The mount, ready, unparked and standing.
    equatorial : str
        The property in which it tells its position and takes syncs.
    place : Position
        Where it points, as that property tells it.

    Raises
    ------
    LinkError
        When the connection is lost.
    DeviceError
        ``sync_not_taken``; ``sync_mode_left``: its next go-to would be a sync.
    """
    since = device.connection.serial
    try:
        await device.switch("ON_COORD_SET", "SYNC", task="take a sync")
        await _told(device, equatorial, place)
    finally:
        # Whoever sends a place next, this service or another, means a go-to.
        await asyncio.shield(_back_to_go_tos(device, since))


async def _told(device: IndiDevice, equatorial: str, place: Position) -> None:
    numbers = {"RA": place.right_ascension_deg / HOURS_TO_DEG, "DEC": place.declination_deg}
    since = device.connection.send_numbers(device.name, equatorial, numbers)
    try:
        answer = await device.connection.wait_for(
            device.name,
            equatorial,
            lambda p: (
                p.failed
                or (not p.busy and position_in(p).separation_deg(place) < SYNCED_WITHIN_DEG)
            ),
            SYNC_S,
            since=since,
            task="take a sync",
        )
    except DeviceError as error:
        if error.code != "no_answer":
            raise
        answer = None
    if answer is None or answer.failed:
        said = device.connection.last_message(device.name, since=since)
        raise DeviceError(
            f"{device.name} did not take the sync" + (f' and says: "{said}"' if said else ""),
            remedy="Look where the mount says that it points before it goes anywhere; "
            '[star_alignment] syncs = "never" does without',
            code="sync_not_taken",
        )


async def _back_to_go_tos(device: IndiDevice, since: int) -> None:
    mode = device.read("ON_COORD_SET")
    # What it said before it was asked for a sync may be over by now.
    if mode is None or (mode.is_on("TRACK") and mode.serial > since):
        return
    try:
        await device.switch("ON_COORD_SET", "TRACK", task="take go-to commands")
    except DeviceError as error:
        raise DeviceError(
            f"{device.name} still takes the next place for a sync, not for a go-to",
            remedy="Set it back with your INDI client (On Set: Track) before anything is sent",
            code="sync_mode_left",
        ) from error
