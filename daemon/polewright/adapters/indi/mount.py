"""Mount: moves an equatorial mount through INDI and knows when it stands."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from polewright.adapters.indi.connection import IndiConnection, stopped_before
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.equatorial import (
    POSITIONS,
    Position,
    as_told,
    of_date,
    position_in,
    property_of,
)
from polewright.adapters.indi.goto import SLEW_S, go_to
from polewright.adapters.indi.place import place_of, tell_mount
from polewright.adapters.indi.sync import sync_to
from polewright.core.errors import DeviceError, LinkError
from polewright.core.sky.place import Place
from polewright.ports import MountCapabilities, MountStatus, PierSide, TrackMode

_LOG = logging.getLogger(__name__)

# Parking may be preceded by a homing run (s).
PARK_S = 300.0
# An abort is answered at once; after this it is sent again (s).
ABORT_AGAIN_S = 1.0
# After this the person must act (s).
ABORT_S = 5.0

# By any of these a device shows that it is a mount; a star tracker has the last only.
ESSENTIAL = (*POSITIONS, "TELESCOPE_TRACK_STATE", "TELESCOPE_MOTION_WE")

_TRACK_MODES = {
    "TRACK_SIDEREAL": TrackMode.SIDEREAL,
    "TRACK_SOLAR": TrackMode.SOLAR,
    "TRACK_LUNAR": TrackMode.LUNAR,
}
_PIER_SIDES = (("PIER_EAST", PierSide.EAST), ("PIER_WEST", PierSide.WEST))


class IndiMount:
    """An equatorial mount; implements :class:`polewright.ports.Mount`.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    name : str
        The device's name.
    slew_s : float
        Longest time for a go-to (s).
    now : callable
        Tells the UTC instant, for mounts that speak of J2000.
    """

    def __init__(
        self,
        connection: IndiConnection,
        name: str,
        *,
        slew_s: float = SLEW_S,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.connection = connection
        self._device = IndiDevice(connection, name, essential=ESSENTIAL, role="mount")
        self._now = now
        self._slew_s = slew_s
        self._one_at_a_time = asyncio.Lock()
        self._aborts = 0

    @property
    def name(self) -> str:
        """The device's name."""
        return self._device.name

    @property
    def capabilities(self) -> MountCapabilities:
        """What this mount can do, by the properties that it offers now."""
        coord_set = self._device.read("ON_COORD_SET")
        switches = {} if coord_set is None else coord_set.switches
        return MountCapabilities(
            can_slew=property_of(self._device) is not None and "TRACK" in switches,
            can_abort=self._device.has("TELESCOPE_ABORT_MOTION"),
            can_track=self._device.has("TELESCOPE_TRACK_STATE"),
            can_park=self._device.has("TELESCOPE_PARK"),
            can_sync="SYNC" in switches,
            has_pier_side=self._device.has("TELESCOPE_PIER_SIDE"),
            has_place=self._device.has("GEOGRAPHIC_COORD"),
            has_position=property_of(self._device) is not None,
            track_modes=frozenset(
                mode
                for element, mode in _TRACK_MODES.items()
                if (modes := self._device.read("TELESCOPE_TRACK_MODE")) is not None
                and element in modes.switches
            ),
        )

    async def ensure_ready(self) -> None:
        """Connect the mount where it is not.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount is missing, does not connect, or shows nothing of a mount.
        """
        await self._device.ensure_ready()

    async def status(self) -> MountStatus:
        """Return what the mount believes now.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount is missing or does not connect.
        """
        await self.ensure_ready()
        name = property_of(self._device)
        equatorial = None if name is None else self._device.read(name)
        position = None
        if name is not None and equatorial is not None:
            position = of_date(position_in(equatorial), name, self._now())
        pier = self._device.read("TELESCOPE_PIER_SIDE")
        track = self._device.read("TELESCOPE_TRACK_STATE")
        return MountStatus(
            right_ascension_deg=None if position is None else position.right_ascension_deg,
            declination_deg=None if position is None else position.declination_deg,
            slewing=equatorial is not None and equatorial.busy,
            tracking=None if track is None else track.is_on("TRACK_ON"),
            parked=self._parked(),
            pier_side=next(
                (side for element, side in _PIER_SIDES if pier is not None and pier.is_on(element)),
                PierSide.UNKNOWN,
            ),
        )

    async def slew_to(self, right_ascension_deg: float, declination_deg: float) -> None:
        """Go to a place of date, track there, and return when the mount stands.

        Parameters
        ----------
        right_ascension_deg, declination_deg : float
            Of date (deg).

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount is parked, refuses, does not move, goes silent, does not arrive in
            time or stops elsewhere.  It is told to stop before the error leaves.  ``stopped``:
            it was told to stop before the go-to was sent.
        """
        if not -90.0 <= declination_deg <= 90.0:
            raise DeviceError(
                f"A declination of {declination_deg:g} deg does not exist",
                remedy="Choose a target between -90 and 90 deg",
                code="out_of_range",
            )
        target = Position(
            right_ascension_deg=right_ascension_deg % 360.0, declination_deg=declination_deg
        )
        aborts = self._aborts
        async with self._one_at_a_time:
            await self.ensure_ready()
            equatorial = property_of(self._device)
            if equatorial is None or not self.capabilities.can_slew:
                raise DeviceError(
                    f"{self.name} cannot go to a place by itself",
                    remedy="Turn it by hand between frames",
                    code="cannot_slew",
                )
            if self._parked():
                raise DeviceError(
                    f"{self.name} is parked and does not move",
                    remedy="Unpark it first",
                    code="parked",
                )
            mode = self._device.read("ON_COORD_SET")
            if mode is not None and not mode.is_on("TRACK"):
                await self._device.switch("ON_COORD_SET", "TRACK", task="take go-to commands")
            await self._track_at(TrackMode.SIDEREAL)
            if self._aborts != aborts:  # nothing is awaited from here until it is sent
                raise stopped_before(self.name, "go-to")
            async with self._stopped_on_error():
                target = as_told(target, equatorial, self._now())
                await go_to(self._device, equatorial, target, longest_s=self._slew_s)

    async def sync(self, right_ascension_deg: float, declination_deg: float) -> None:
        """Let the mount believe that it points at this place of date; nothing turns.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount cannot, is parked, refuses, or shows something else afterwards
            (``sync_not_taken``); ``sync_mode_left``: its next go-to would be a sync.
        """
        wanted = Position(
            right_ascension_deg=right_ascension_deg % 360.0, declination_deg=declination_deg
        )
        async with self._one_at_a_time:
            await self.ensure_ready()
            equatorial = property_of(self._device)
            if equatorial is None or not self.capabilities.can_sync:
                raise DeviceError(
                    f"The driver of {self.name} cannot be told where it points",
                    remedy='Set [star_alignment] syncs = "never": go-tos then go through the model',
                    code="cannot_sync",
                )
            if self._parked():
                raise DeviceError(
                    f"{self.name} is parked and does not take a sync",
                    remedy="Unpark it first",
                    code="parked",
                )
            await sync_to(self._device, equatorial, as_told(wanted, equatorial, self._now()))

    async def tell_site(self, place: Place) -> None:
        """Tell the mount the time and where it stands.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            ``mount_moving``, ``site_not_taken``, or what the device says.
        """
        async with self._one_at_a_time:
            await self.ensure_ready()
            await tell_mount(self.connection, self.name, place, self._now)

    async def set_tracking(self, *, on: bool, mode: TrackMode = TrackMode.SIDEREAL) -> None:
        """Switch tracking on, at this rate, or off.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount cannot, refuses or does not answer.
        """
        await self.ensure_ready()
        self._require("TELESCOPE_TRACK_STATE", "be told to track")
        if on and self._parked():
            raise DeviceError(
                f"{self.name} is parked and does not track",
                remedy="Unpark it first",
                code="parked",
            )
        if on and mode is not TrackMode.SIDEREAL and mode not in self.capabilities.track_modes:
            raise DeviceError(
                f"The driver of {self.name} cannot track at the {mode} rate",
                remedy="Do it at the mount itself",
                code="not_supported",
            )
        if on:
            await self._track_at(mode)
        task = "start tracking" if on else "stop tracking"
        element = "TRACK_ON" if on else "TRACK_OFF"
        await self._device.switch("TELESCOPE_TRACK_STATE", element, task=task)

    async def park(self) -> None:
        """Park, and return when the mount is parked.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount cannot park, refuses, or does not arrive in time.
        """
        async with self._one_at_a_time:
            await self.ensure_ready()
            self._require("TELESCOPE_PARK", "park")
            if not self._parked():
                async with self._stopped_on_error():
                    await self._switch_park("PARK", "park")

    async def unpark(self) -> None:
        """Unpark, and return when the mount is free to move.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount cannot unpark, refuses, or does not answer in time.
        """
        async with self._one_at_a_time:
            await self.ensure_ready()
            self._require("TELESCOPE_PARK", "unpark")
            if self._parked() is not False:
                async with self._stopped_on_error():
                    await self._switch_park("UNPARK", "unpark")

    async def abort(self) -> None:
        """Stop all motion at once, and return when the mount no longer reports motion.

        Raises
        ------
        LinkError
            When the connection is lost: the command did not arrive.
        DeviceError
            Where the mount goes on moving.
        """
        self._aborts += 1  # a go-to that is still being prepared is not sent any more
        equatorial = property_of(self._device)
        if not self._device.connected:
            self.connection.ensure_alive()
            raise DeviceError(
                f"{self.name} cannot be told to stop: its driver has gone, or has no connection to "
                "it",
                remedy="Use the mount's own stop or its power switch, if it moves",
                code="no_way_to_stop",
            )
        if equatorial is None or not self._device.has("TELESCOPE_ABORT_MOTION"):
            self._nothing_to_stop(equatorial)
            return
        loop = asyncio.get_running_loop()
        end_s = loop.time() + ABORT_S
        while True:
            # Sent without any wait before it: this is the one command that must not queue.
            since = self.connection.send_switch(
                self.name, "TELESCOPE_ABORT_MOTION", {"ABORT": True}
            )
            try:
                await self.connection.wait_for(
                    self.name,
                    "TELESCOPE_ABORT_MOTION",
                    lambda p: not p.busy,
                    ABORT_AGAIN_S,
                    since=since,
                    task="answer the command to stop",
                )
                await self.connection.wait_for(
                    self.name,
                    equatorial,
                    lambda p: not p.busy,
                    ABORT_AGAIN_S,
                    task="stop",
                )
            except DeviceError as error:
                if self._standing_since(equatorial, since):
                    return
                vanished = not self._device.has(equatorial)
                if error.code != "no_answer" or vanished or loop.time() > end_s:
                    raise DeviceError(
                        f"{self.name} was told to stop and does not confirm it",
                        remedy="Stop it with its hand controller or cut its power",
                        code="still_moving",
                    ) from error
                _LOG.warning("%s: sending the command to stop again", self.name)
            else:
                return

    async def place(self) -> Place | None:
        """Return the site that the mount holds, None where it holds none.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the mount is missing or does not connect.
        """
        await self.ensure_ready()
        return place_of(self._device.read("GEOGRAPHIC_COORD"))

    # -- inside -------------------------------------------------------------------------------

    def _nothing_to_stop(self, equatorial: str | None) -> None:
        """Send a stop to a mount that has no command for it, or no position to tell by."""
        self.connection.ensure_alive()
        if self._device.has("TELESCOPE_ABORT_MOTION"):
            self.connection.send_switch(self.name, "TELESCOPE_ABORT_MOTION", {"ABORT": True})
        report = None if equatorial is None else self._device.read(equatorial)
        if report is not None and report.busy:
            raise DeviceError(
                f"{self.name} moves, and its driver has no command to stop it",
                remedy="Stop it with its hand controller or cut its power",
                code="still_moving",
            )

    async def _track_at(self, mode: TrackMode) -> None:
        """Choose the rate of tracking, where the mount has a choice."""
        modes = self._device.read("TELESCOPE_TRACK_MODE")
        element = next(name for name, one in _TRACK_MODES.items() if one is mode)
        if modes is None or element not in modes.switches or modes.is_on(element):
            return
        _LOG.info("%s: tracking at the %s rate", self.name, mode)
        await self._device.switch("TELESCOPE_TRACK_MODE", element, task=f"track at the {mode} rate")

    def _standing_since(self, equatorial: str, since: int) -> bool:
        """Return True where a report newer than ``since`` tells of no motion."""
        report = self._device.read(equatorial)
        return report is not None and report.serial > since and not report.busy

    def _parked(self) -> bool | None:
        """Return whether the mount is parked, None where it does not say."""
        park = self._device.read("TELESCOPE_PARK")
        if park is None or not (park.is_on("PARK") or park.is_on("UNPARK")):
            return None
        return park.is_on("PARK") and not park.busy

    def _require(self, prop: str, task: str) -> None:
        """Refuse what the mount's driver has no property for."""
        if not self._device.has(prop):
            raise DeviceError(
                f"The driver of {self.name} cannot {task}",
                remedy="Do it at the mount itself",
                code="not_supported",
            )

    @asynccontextmanager
    async def _stopped_on_error(self) -> AsyncIterator[None]:
        """End with a mount that was told to stop, whatever leaves the block."""
        try:
            yield
        except LinkError:
            # Nothing more can reach the mount.
            raise
        except BaseException:
            try:
                await asyncio.shield(self.abort())
            except (DeviceError, LinkError) as error:
                _LOG.error("the mount could not be stopped: %s", error)
            raise

    async def _switch_park(self, element: str, task: str) -> None:
        """Park or unpark, and wait for the end of the motion."""
        since = self.connection.send_switch(
            self.name,
            "TELESCOPE_PARK",
            {"PARK": element == "PARK", "UNPARK": element == "UNPARK"},
        )
        answer = await self.connection.wait_for(
            self.name,
            "TELESCOPE_PARK",
            lambda p: p.failed or (p.is_on(element) and not p.busy),
            PARK_S,
            since=since,
            task=task,
        )
        if answer.failed:
            raise self._device.refused(task, since=since)
