"""Rig: the camera, mount, adjuster and site of one INDI server, ready for use."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime

from polewright.adapters.indi.adjuster import ADJUSTMENT, IndiAdjuster
from polewright.adapters.indi.attitude_sensor import GRAVITY, IndiAttitudeSensor, SensorUse
from polewright.adapters.indi.camera import Decode, IndiCamera, Mend, decode_picture
from polewright.adapters.indi.chip import MAIN_CHIP, Chip, ChipWishes
from polewright.adapters.indi.connection import DEFAULT_PORT, IndiConnection, is_withdrawal
from polewright.adapters.indi.discovery import (
    FoundDevice,
    Role,
    choose,
    known_devices,
    list_devices,
    require,
)
from polewright.adapters.indi.mount import IndiMount
from polewright.adapters.indi.place import IndiGps, PlaceOfMount
from polewright.adapters.indi.search import find_showing
from polewright.core.errors import DeviceError, LinkError
from polewright.ports import SiteSource

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rig:
    """What one server offers; parts that it lacks are None.

    Attributes
    ----------
    connection : IndiConnection
        The connection that everything here shares.
    devices : tuple of FoundDevice
        All that the server has.
    camera : IndiCamera
        The camera.
    mount : IndiMount or None
        The mount.
    adjuster : IndiAdjuster or None
        The motors of the bolts.
    place_source : SiteSource or None
        A GPS receiver, else the mount.
    sensor : IndiAttitudeSensor or None
        A sensor on the polar axis.
    """

    connection: IndiConnection
    devices: tuple[FoundDevice, ...]
    camera: IndiCamera
    mount: IndiMount | None
    adjuster: IndiAdjuster | None
    place_source: SiteSource | None
    sensor: IndiAttitudeSensor | None = None

    @property
    def lost(self) -> asyncio.Event:
        """Set when the connection to the server is lost."""
        return self.connection.lost

    async def until_lost(self) -> str:
        """Wait until the server's connection or the mount is gone; return what is gone, in words.

        A mount without its driver may move on, and cannot be told to stop: that is no less a loss
        than a broken connection.
        """
        if self.mount is not None:
            name = self.mount.name
            with suppress(LinkError), self.connection.subscribe(name) as events:
                async for event in events:
                    if is_withdrawal(event, "CONNECTION"):
                        return f"{name} vanished: its driver stopped or restarted"
        await self.lost.wait()
        return (
            f"the connection to the INDI server at {self.connection.host}:{self.connection.port} "
            "was lost"
        )


@asynccontextmanager
async def open_rig(
    host: str = "localhost",
    port: int = DEFAULT_PORT,
    *,
    camera_name: str | None = None,
    mount_name: str | None = None,
    adjuster_name: str | None = None,
    search_adjuster: bool = False,
    gps_name: str | None = None,
    decode: Decode = decode_picture,
    chip: Chip = MAIN_CHIP,
    chip_wishes: ChipWishes | None = None,
    mend: Mend | None = None,
    sensor: SensorUse | None = None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    uncorrected: Callable[[], datetime] | None = None,
) -> AsyncIterator[Rig]:
    """Connect to a server, find its devices and bring them to readiness.

    Parameters
    ----------
    host : str
        Name or address of the server.
    port : int
        Its TCP port.
    camera_name, mount_name, adjuster_name, gps_name : str or None
        Configured devices; None: the only one of its role.
    search_adjuster : bool
        Connect devices of no known kind to see whether one is the adjuster, where none is named
        or has shown itself.
    decode : callable
        Turns the bytes of a picture and its name into a frame.
    chip : Chip
        Which of the camera's sensors.
    chip_wishes : ChipWishes or None
        Binning, gain and offset; None: as the driver has them.
    mend : callable or None
        Repairs known faults of the sensor in a frame.
    sensor : SensorUse or None
        How an attitude sensor is used, where there is one; None: none is looked for.
    now : callable
        Tells the UTC instant; a receiver found here may set it right later.
    uncorrected : callable or None
        What this computer's own clock takes for it; None: the same.

    Raises
    ------
    LinkError
        Where no server answers.
    DeviceError
        Where there is no camera, a configured device is missing, several devices could be
        meant, or one does not connect.
    """
    async with IndiConnection.open(host, port) as connection:
        names = (camera_name, mount_name, adjuster_name, gps_name)
        devices = await list_devices(connection, expected=frozenset(filter(None, names)))
        camera_name = require(devices, Role.CAMERA, camera_name)
        mount_name = choose(devices, Role.MOUNT, mount_name)
        gps_name = choose(devices, Role.GPS, gps_name)
        camera = IndiCamera(
            connection,
            camera_name,
            decode=decode,
            chip=chip,
            wishes=chip_wishes or ChipWishes(),
            mend=mend,
            now=now,
            uncorrected=uncorrected,
        )
        mount = None if mount_name is None else IndiMount(connection, mount_name, now=now)
        gps = None if gps_name is None else IndiGps(connection, gps_name)
        # A receiver may write its site into the mount when it connects, so it comes first.
        if gps is not None:
            await gps.ensure_ready()
        if mount is not None:
            await mount.ensure_ready()
        await camera.info()
        adjuster_name = choose(known_devices(connection), Role.ADJUSTER, adjuster_name)
        if adjuster_name is None and search_adjuster:
            adjuster_name = await find_showing(connection, ADJUSTMENT, Role.ADJUSTER)
        adjuster = None if adjuster_name is None else IndiAdjuster(connection, adjuster_name)
        if adjuster is not None:
            await adjuster.ensure_ready()
        attitude = None if sensor is None else await _attitude_sensor(connection, sensor)
        place_source = gps if gps is not None else None if mount is None else PlaceOfMount(mount)
        async with AsyncExitStack() as stack:
            if attitude is not None:
                await stack.enter_async_context(attitude.listening())
            yield Rig(
                connection=connection,
                devices=known_devices(connection),
                camera=camera,
                mount=mount,
                adjuster=adjuster,
                place_source=place_source,
                sensor=attitude,
            )


async def _attitude_sensor(connection: IndiConnection, use: SensorUse) -> IndiAttitudeSensor | None:
    """Return the sensor, ready; its trouble is told and ends nothing else."""
    try:
        name = choose(known_devices(connection), Role.SENSOR, use.device)
        if name is None and use.search:
            name = await find_showing(connection, GRAVITY, Role.SENSOR)
        if name is None:
            return None
        sensor = IndiAttitudeSensor(connection, name, use)
        await sensor.ensure_ready()
    except DeviceError as trouble:
        _LOG.warning("%s. %s", trouble.text, trouble.remedy)
        return None
    return sensor
