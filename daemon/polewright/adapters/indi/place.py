"""Place: where the devices say that they stand."""

import math
from datetime import UTC, datetime

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.snapshot import PropertySnapshot
from polewright.core.errors import DeviceError
from polewright.core.sky.place import Place
from polewright.ports import Mount

# A receiver that was on before reports at once; a cold one needs minutes, which is the person's
# to wait for (s).
FIX_S = 5.0


def place_of(snapshot: PropertySnapshot | None) -> Place | None:
    """Return the place in a GEOGRAPHIC_COORD snapshot, None where it was never set.

    INDI counts longitudes eastward from 0 to 360 deg; a place has them from -180 to 180 deg.
    """
    if snapshot is None:
        return None
    latitude_deg = snapshot.numbers.get("LAT", math.nan)
    longitude_deg = snapshot.numbers.get("LONG", math.nan)
    elevation_m = snapshot.numbers.get("ELEV", 0.0)
    if not (math.isfinite(latitude_deg) and math.isfinite(longitude_deg)):
        return None
    # Drivers start with zeros; nobody sets up on that spot of open sea.
    if latitude_deg == 0.0 and longitude_deg == 0.0:
        return None
    try:
        return Place(
            latitude_deg=latitude_deg,
            longitude_deg=(longitude_deg + 180.0) % 360.0 - 180.0,
            elevation_m=elevation_m if math.isfinite(elevation_m) else 0.0,
        )
    except ValueError as error:
        raise DeviceError(
            f"{snapshot.device} reports a place that does not exist: {error}",
            remedy="Set the site in the settings",
            code="bad_place",
        ) from error


class IndiGps:
    """A GPS receiver; implements :class:`polewright.ports.SiteSource`.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    name : str
        The device's name.
    """

    def __init__(self, connection: IndiConnection, name: str) -> None:
        self.connection = connection
        self._device = IndiDevice(connection, name, essential="GEOGRAPHIC_COORD", role="GPS")

    @property
    def name(self) -> str:
        """The device's name."""
        return self._device.name

    async def ensure_ready(self) -> None:
        """Connect the receiver where it is not.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the receiver is missing or does not connect.
        """
        await self._device.ensure_ready()

    async def place(self) -> Place:
        """Return the place.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the receiver is missing, does not connect, or has no fix.
        """
        await self._device.ensure_ready()
        try:
            snapshot = await self.connection.wait_for(
                self.name,
                "GEOGRAPHIC_COORD",
                lambda p: not p.busy and not p.failed and place_of(p) is not None,
                FIX_S,
                task="find where it is",
            )
        except DeviceError as error:
            if error.code != "no_answer":
                raise
            raise DeviceError(
                f"{self.name} does not know yet where it is",
                remedy="Wait until it has a fix under open sky, or set the site in the settings",
                code="no_fix",
            ) from None
        place = place_of(snapshot)
        if place is None:
            raise AssertionError("the predicate above has checked this")
        return place

    async def utc(self) -> datetime:
        """Return the receiver's time, at the moment that it tells it (to about 1 s).

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the receiver does not tell the time (code ``no_time``).
        """
        await self._device.ensure_ready()
        known = self.connection.read(self.name, "TIME_UTC")
        try:
            told = await self.connection.wait_for(
                self.name,
                "TIME_UTC",
                lambda p: not p.failed and bool(p.texts.get("UTC")),
                FIX_S,
                since=None if known is None else known.serial,
                task="tell the time",
            )
            return datetime.fromisoformat(told.texts["UTC"]).replace(tzinfo=UTC)
        except (DeviceError, ValueError):
            raise DeviceError(
                f"{self.name} does not tell the time",
                remedy='Wait until it has a fix, or set [site] clock = "host"',
                code="no_time",
            ) from None


class PlaceOfMount:
    """The site that a mount holds; implements :class:`polewright.ports.SiteSource`.

    Parameters
    ----------
    mount : Mount
        The mount.
    """

    def __init__(self, mount: Mount) -> None:
        self._mount = mount

    async def place(self) -> Place:
        """Return the place.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount is missing, does not connect, or holds no site.
        """
        place = await self._mount.place()
        if place is None:
            raise DeviceError(
                f"{self._mount.name} has not been told where it stands",
                remedy="Set the site in the settings, or connect a GPS receiver",
                code="no_place",
            )
        return place
