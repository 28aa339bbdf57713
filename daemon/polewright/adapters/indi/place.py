"""Place and time: what the devices say of them, and telling them to the mount."""

import math
from collections.abc import Callable
from datetime import UTC, datetime

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.equatorial import POSITIONS
from polewright.adapters.indi.snapshot import PropertySnapshot
from polewright.core.errors import DeviceError
from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.sky.place import Place
from polewright.ports import Mount

# A receiver that was on before reports at once; a cold one needs minutes, which is the person's
# to wait for (s).
FIX_S = 5.0
# A device whose clock runs shows it every second or two; most mounts show the time once, and what
# was shown once is nothing to set a clock by (s).
TICK_S = 2.5
# A mount takes its site within one polling period, usually 1 s or less (s).
TAKES_S = 5.0
# Mounts keep their site to a minute of arc or so (deg).
_KEPT_WITHIN_DEG = 0.03


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
            longitude_deg=wrap_half_turn_deg(longitude_deg),
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
        told = await ticking_utc(self.connection, self.name, FIX_S)
        if told is None:
            raise DeviceError(
                f"{self.name} does not tell the time",
                remedy='Wait until it has a fix, or set [site] clock = "host"',
                code="no_time",
            )
        return told


async def ticking_utc(
    connection: IndiConnection, device: str, longest_s: float = TICK_S
) -> datetime | None:
    """Return a device's time at the moment that it tells it (to about 1 s).

    None where it tells none within ``longest_s``, or nothing that is a time; a receiver that is
    busy has no fix yet.

    Raises
    ------
    LinkError
        When the connection is lost.
    """
    known = connection.read(device, "TIME_UTC")
    try:
        told = await connection.wait_for(
            device,
            "TIME_UTC",
            lambda p: not p.busy and not p.failed and bool(p.texts.get("UTC")),
            longest_s,
            since=None if known is None else known.serial,
            task="tell the time",
        )
        return datetime.fromisoformat(told.texts["UTC"].strip()).replace(tzinfo=UTC)
    except (DeviceError, ValueError):
        return None


async def tell_mount(
    connection: IndiConnection, mount: str, place: Place, now: Callable[[], datetime]
) -> None:
    """Tell a mount the time and where it stands: before any motion, never in one.

    Latitude, longitude and elevation go together: drivers take what is left out for zero.

    Raises
    ------
    LinkError
        When the connection is lost.
    DeviceError
        ``mount_moving``, ``site_not_taken``, or what the device says.
    """
    reports = (connection.read(mount, name) for name in POSITIONS)
    if any(report is not None and report.busy for report in reports):
        raise DeviceError(
            f"{mount} moves, so it was not told its site: that would shift where it goes",
            remedy="Let it stand, then restart the service",
            code="mount_moving",
        )
    clock = connection.read(mount, "TIME_UTC")
    if clock is not None:
        offset = datetime.now().astimezone().utcoffset()
        hours = 0.0 if offset is None else offset.total_seconds() / 3600.0
        told = {"UTC": f"{now():%Y-%m-%dT%H:%M:%S}", "OFFSET": f"{hours:.2f}"}
        since = connection.send_text(mount, "TIME_UTC", told)
        await _taken(connection, mount, "TIME_UTC", since, lambda _: True)
    wanted = {
        "LAT": place.latitude_deg,
        "LONG": place.longitude_deg % 360.0,
        "ELEV": place.elevation_m,
    }
    since = connection.send_numbers(mount, "GEOGRAPHIC_COORD", wanted)

    def kept(snapshot: PropertySnapshot) -> bool:
        return all(
            abs(wrap_half_turn_deg(snapshot.numbers.get(name, math.nan) - wanted[name]))
            < _KEPT_WITHIN_DEG
            for name in ("LAT", "LONG")
        )

    await _taken(connection, mount, "GEOGRAPHIC_COORD", since, kept)


async def _taken(
    connection: IndiConnection,
    mount: str,
    name: str,
    since: int,
    kept: Callable[[PropertySnapshot], bool],
) -> None:
    """Wait until the mount shows that it has taken a value."""
    what = "the time" if name == "TIME_UTC" else "its site"
    try:
        answer = await connection.wait_for(
            mount, name, lambda p: p.failed or (not p.busy and kept(p)), TAKES_S,
            since=since, task=f"take {what}",
        )  # fmt: skip
    except DeviceError as error:
        if error.code != "no_answer":
            raise
        answer = None
    if answer is None or answer.failed:
        said = connection.last_message(mount, since=since)
        raise DeviceError(
            f"{mount} did not take {what} from polewright" + (f': "{said}"' if said else ""),
            remedy="Set it with your INDI client, or at the hand controller",
            code="site_not_taken",
        )


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
