"""Safety interlocks: every motion of the mount passes here, and nowhere else.

A mount that slews can pinch fingers, tear cables and run a tube into the pier; the Sun through
optics blinds and burns.  So: no motion before the person has said that the mount is clear to
move, none while parked, none while place or time are in doubt, none whose way comes near the Sun,
below the altitude floor or beyond the hour-angle limits; and a mount that was left tracking is
stopped before it gets there.  ``abort`` is never refused.  A sync turns nothing and passes here all
the same: what the mount believes is what its next way is checked by.
"""

import logging
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from polewright.core.errors import DeviceError, SafetyError
from polewright.core.sky.doubts import Doubt
from polewright.core.sky.mount_frame import hour_angle_deg, right_ascension_deg
from polewright.core.sky.place import Place
from polewright.ports import Clock, MountStatus, MovingMount, PierSide
from polewright.session.given_word import GivenWord
from polewright.session.left_tracking import LeftTracking, broken_soon
from polewright.session.limits import (
    SafetyLimits,
    Scene,
    refuse_in_doubt,
    refuse_place,
    refuse_way,
    standing_leaves_the_sun,
)
from polewright.session.synchronising import (
    SolvedPlace,
    off_by_deg,
    refuse_elsewhere,
    refuse_sync,
)

_log = logging.getLogger(__name__)


class GuardedMount:
    """A mount behind the interlocks; the session holds no other.

    Parameters
    ----------
    mount : MovingMount
        What moves.
    place : Place
        Where it stands.
    clock : Clock
        What time it is.
    limits : SafetyLimits
        What a motion must keep.
    camera : str
        The camera on it, by name: a solar filter belongs to one.
    doubts : sequence of Doubt
        What does not fit about place and time.
    word : GivenWord, optional
        What the person said of it before its connection was lost, with the clock of then.
    off_deg : float
        By how much it was seen to point off before that (deg).
    """

    def __init__(
        self,
        mount: MovingMount,
        place: Place,
        clock: Clock,
        limits: SafetyLimits,
        *,
        camera: str = "",
        doubts: Sequence[Doubt] = (),
        word: GivenWord | None = None,
        off_deg: float = 0.0,
    ) -> None:
        self._mount = mount
        self._place = place
        self._clock = clock
        self._limits = limits
        self._camera = camera
        self._doubts = tuple(doubts)
        self._word = word or GivenWord(clock)
        self._halted = False
        self._under_way = False
        self._unfinished = False
        self._left = LeftTracking()
        self._off_deg = off_deg
        self._motions = 0
        self._syncs = 0
        self._last_sync: tuple[float, PierSide] | None = None

    @property
    def name(self) -> str:
        """The device's name."""
        return self._mount.name

    @property
    def can_slew(self) -> bool:
        """True where it can go to a place by itself."""
        return self._mount.capabilities.can_slew

    @property
    def can_sync(self) -> bool:
        """True where it can be told where it points."""
        return self._mount.capabilities.can_sync

    @property
    def has_place(self) -> bool:
        """True where it keeps a site."""
        return self._mount.capabilities.has_place

    @property
    def synced(self) -> bool:
        """True once it was told where it points, since it was connected."""
        return self._syncs > 0

    @property
    def syncs(self) -> int:
        """How often it was told where it points, since it was connected."""
        return self._syncs

    @property
    def last_sync(self) -> tuple[float, PierSide] | None:
        """By how much the last of these changed its declination (deg), and on which side."""
        return self._last_sync

    @property
    def has_sides(self) -> bool:
        """True where it goes round its pier, as it says itself."""
        return self._mount.capabilities.has_pier_side

    @property
    def may_cross_meridian(self) -> bool:
        """True where the person allows it to cross the meridian."""
        return self._limits.allow_meridian_crossing

    @property
    def clear_to_move(self) -> bool:
        """True once the person has said in this session that nothing is in the mount's way."""
        return self._word.clear

    @property
    def off_deg(self) -> float:
        """By how much it was seen to point off last (deg)."""
        return self._off_deg

    @property
    def unfinished(self) -> bool:
        """True while a motion was begun whose end nobody has seen: it may go on."""
        return self._unfinished

    @property
    def left_tracking(self) -> bool:
        """True while the mount follows the sky since it was moved here."""
        return self._left.on

    @property
    def solar_filter(self) -> bool:
        """True while the person's word holds that this camera looks through a solar filter."""
        return self._word.filter_fitted

    def confirm_clear(self) -> None:
        """Take the person's word that the mount is clear to move, for this session."""
        self._word.confirm_clear()

    def confirm_solar_filter(self, camera: str) -> None:
        """Take the person's word that this camera's tube has a solar filter in front.

        It lifts the Sun's cone, and nothing else, until :meth:`remove_solar_filter`, until other
        devices are attached, or for six hours.

        Raises
        ------
        SafetyError
            ``other_camera``.
        """
        if camera != self._camera:
            raise SafetyError(
                f"the camera in use is {self._camera!r}, not {camera!r}: the filter is on "
                "another tube",
                remedy="Look which tube carries which camera; a filter counts only for the camera "
                "in use, and every other tube and finder needs its own filter or cap.",
                code="other_camera",
            )
        self._word.confirm_filter()

    def remove_solar_filter(self) -> None:
        """Take note that there is no filter: the Sun's cone holds again."""
        self._word.remove_filter()

    def take_doubts(self, doubts: Sequence[Doubt]) -> None:
        """Take what does not fit about place and time now."""
        self._doubts = tuple(doubts)

    def require_no_doubt(self) -> None:
        """Refuse any motion on this mount while place or time are in doubt.

        Raises
        ------
        SafetyError
            ``place_or_time_in_doubt``.
        """
        refuse_in_doubt(self._scene(), self._doubts)

    def halt(self) -> None:
        """Let no motion begin from this moment on, until a new command allows it."""
        self._halted = True

    def allow_motion(self) -> None:
        """Begin a command: motion that a stop ended before may be asked for again."""
        self._halted = False

    def require_clear(self) -> None:
        """Refuse where nobody has said in this session that the mount is clear to move.

        Raises
        ------
        SafetyError
            ``not_confirmed_clear``, ``clock_jumped``.
        """
        self._word.require_clear()

    async def status(self) -> MountStatus:
        """Return what the mount believes now; a position that is none is told as None."""
        status = await self._mount.status()
        if self._position(status) is None:
            return replace(status, right_ascension_deg=None, declination_deg=None)
        return status

    async def place(self) -> Place | None:
        """Return the site that the mount holds now, if any."""
        return await self._mount.place()

    async def abort(self) -> None:
        """Stop all motion at once, and let none begin before a new command; never refused."""
        self.halt()
        motions = self._motions
        await self._mount.abort()
        # A motion that was begun since is another one, whose end nobody has seen.
        if self._motions == motions:
            self._unfinished = False

    def may_point(self, hour_angle: float, declination: float) -> bool:
        """Return whether the camera may point there now, the way to it left aside (deg)."""
        try:
            refuse_place(self._scene(), hour_angle, declination)
        except SafetyError:
            return False
        return True

    def may_turn(self, status: MountStatus, *places_deg: tuple[float, float]) -> bool:
        """Return whether the mount may turn from where it is to these places, one after another.

        ``status`` is what it says now; a place is an hour angle and a declination (deg).
        """
        start = self._position(status)
        if start is None:
            return False
        scene = self._scene()
        try:
            for place_deg in places_deg:
                refuse_way(scene, start, place_deg)
                start = place_deg
        except SafetyError:
            return False
        return True

    async def turn_to(self, hour_angle: float, declination: float) -> None:
        """Turn to an hour angle and declination of date (deg) if the way is safe.

        Raises
        ------
        SafetyError
            Which limit it would break and what to do.
        DeviceError, LinkError
            From the mount.
        """
        with self._alone():
            status = await self.status()
            # Nothing is awaited between these checks and the motion.
            self._refuse(status, hour_angle, declination)
            self._unfinished = True
            self._motions += 1
            self._left.begin()
            right_ascension = right_ascension_deg(hour_angle, self._clock.now(), self._place)
            await self._mount.slew_to(right_ascension, declination)
            self._unfinished = False

    async def compare(self, seen: SolvedPlace, *, confirmed: bool = False) -> float:
        """Take note of where a frame shows that the telescope points; return how far off (deg).

        From then on the Sun's cone is wider by what the mount was seen to point off beyond its
        margin, until a frame shows otherwise.

        Raises
        ------
        SafetyError
            ``points_elsewhere``, without a person's word; the limit that the true direction breaks,
            whatever the mount believes.
        DeviceError, LinkError
            From the mount.
        """
        shown, true = await self._shown_and_seen(seen)
        self._off_deg = off_by_deg(self._scene(), shown, true)
        refuse_elsewhere(self._off_deg, confirmed=confirmed)
        refuse_place(self._scene(), *true)
        return self._off_deg

    async def sync_to(self, seen: SolvedPlace, *, confirmed: bool = False) -> None:
        """Let the mount believe that it points where a frame shows.

        Raises
        ------
        SafetyError
            Why it would make later slews unsafe; what also forbids motion.
        DeviceError, LinkError
            From the mount.
        """
        with self._alone():
            side = (await self.status()).pier_side
            shown, true = await self._shown_and_seen(seen)
            # Nothing is awaited between these checks and the sync.
            self._refuse_halted()
            self.require_clear()
            refuse_sync(self._scene(), self._doubts, shown, true, seen.instant, confirmed=confirmed)
            await self._mount.sync(seen.right_ascension_deg, seen.declination_deg)
            # Its coordinates have jumped; nobody moved it.
            self._left.forget_place()
            self._off_deg = 0.0
            self._syncs += 1
            self._last_sync = (seen.declination_deg - shown[1], side)

    async def tell_site(self) -> None:
        """Tell the mount where it stands and what time it is, by what holds here.

        Raises
        ------
        SafetyError
            It moves, or a stop was asked for.
        DeviceError, LinkError
            From the mount.
        """
        with self._alone():
            if (await self.status()).slewing:
                raise _moving(self.name)
            self._refuse_halted()
            refuse_in_doubt(self._scene(), self._doubts)
            await self._mount.tell_site(self._place)
            self._left.forget_place()

    async def stop_tracking_before_limits(self) -> SafetyError | None:
        """Stop a mount that was left tracking here before it tracks into a limit.

        A mount that follows the stars keeps its distance from the Sun; one that stands may be
        swept by it.  So near the Sun it is stopped only where that takes it away.

        Returns
        -------
        SafetyError or None
            Why it was stopped, or, near a Sun that it would only come nearer to, what to warn of
            (once); None where all is well, or somebody else has moved the mount.

        Raises
        ------
        DeviceError, LinkError
            The mount could not be stopped.
        """
        if self._under_way or not self._left.on:
            return None
        status = await self._mount.status()
        if self._under_way or status.slewing:
            return None
        if not self._left.still_here(status):
            self._left.end()
            return None
        position = self._position(status)
        if (reason := broken_soon(self._scene(), position)) is None or position is None:
            return None
        if reason.code == "sun" and not standing_leaves_the_sun(self._scene(), *position):
            told, self._left.sun_told = self._left.sun_told, True
            return None if told else reason
        if self._mount.capabilities.can_track:
            try:
                await self._mount.set_tracking(on=False)
            except DeviceError as failure:
                _log.warning("tracking does not stop, so all motion is stopped: %s", failure)
                await self.abort()
        else:
            await self.abort()
        self._left.end()
        return reason

    # -- inside -------------------------------------------------------------------------------

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Refuse a second motion or telling while one is under way."""
        if self._under_way:
            raise _moving(self.name)
        self._under_way = True
        try:
            yield
        finally:
            self._under_way = False

    def _refuse(self, status: MountStatus, hour_angle: float, declination: float) -> None:
        capabilities = self._mount.capabilities
        if not capabilities.can_slew:
            raise DeviceError(
                f"{self.name} cannot go to a place by itself",
                remedy="Turn it by hand between frames.",
                code="cannot_slew",
            )
        if not capabilities.can_abort:
            raise SafetyError(
                f"{self.name} cannot be told to stop, so it is not told to move",
                remedy="Use a driver that offers an abort, or turn it by hand between frames.",
                code="cannot_stop",
            )
        self._refuse_halted()
        self.require_clear()
        self._refuse_parked_or_moving(status)
        start = self._position(status)
        if start is None:
            raise DeviceError(
                f"{self.name} does not say where it points, so its way cannot be checked",
                remedy="Reconnect the mount, or turn it by hand between frames.",
                code="position_unknown",
            )
        if not (math.isfinite(hour_angle) and abs(declination) <= 90.0):
            raise SafetyError(
                f"hour angle {hour_angle:g}, declination {declination:g} deg is not on the sky",
                remedy="Choose a place on the sky.",
                code="not_on_the_sky",
            )
        scene = self._scene()
        refuse_in_doubt(scene, self._doubts)
        refuse_way(scene, start, (hour_angle, declination))

    def _refuse_parked_or_moving(self, status: MountStatus) -> None:
        if status.parked:
            raise SafetyError(
                f"{self.name} is parked",
                remedy="Unpark it first, after looking that it is clear to move.",
                code="parked",
            )
        if status.slewing:
            raise _moving(self.name)

    def _refuse_halted(self) -> None:
        if self._halted:
            raise SafetyError(
                "a stop was asked for",
                remedy="Start again when ready.",
                code="stopped",
            )

    async def _shown_and_seen(
        self, seen: SolvedPlace
    ) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return hour angle and declination (deg) that the mount shows and that a frame showed."""
        status = await self.status()
        self._refuse_parked_or_moving(status)
        shown = self._position(status)
        if shown is None:
            raise DeviceError(
                f"{self.name} does not say where it points, so it cannot be held against a frame",
                remedy="Reconnect the mount.",
                code="position_unknown",
            )
        hour_angle = hour_angle_deg(seen.right_ascension_deg, self._clock.now(), self._place)
        return shown, (hour_angle, seen.declination_deg)

    def _position(self, status: MountStatus) -> tuple[float, float] | None:
        """Return hour angle and declination (deg); None where the mount tells none."""
        right_ascension, declination = status.right_ascension_deg, status.declination_deg
        if right_ascension is None or declination is None:
            return None
        if not (math.isfinite(right_ascension) and abs(declination) <= 90.0):
            return None
        return hour_angle_deg(right_ascension, self._clock.now(), self._place), declination

    def _scene(self) -> Scene:
        margin_deg = max(self._limits.axis_uncertainty_deg, self._off_deg)
        return Scene(
            limits=replace(self._limits, axis_uncertainty_deg=margin_deg),
            place=self._place,
            now=self._clock.now(),
            filtered=self.solar_filter,
            changes_sides=self._mount.capabilities.has_pier_side,
        )


def _moving(name: str) -> SafetyError:
    return SafetyError(
        f"{name} is moving already, so nobody knows where its next motion would begin",
        remedy="Wait until it stands, or stop it.",
        code="already_moving",
    )
