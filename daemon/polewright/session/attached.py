"""Attached: camera, mount and motors as they come and go, and their stop, which comes first."""

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial

from polewright.core.errors import DeviceError, LinkError, PolewrightError
from polewright.core.imaging.attitude import SolveHint
from polewright.core.sky.place import Place
from polewright.ports import Adjuster, Camera, Clock, Mount, MovingMount, Solver
from polewright.session.experience import Experience
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.guarding import Guard
from polewright.session.keeping import Keeper
from polewright.session.measuring import FrameMeasurer
from polewright.session.safe_adjuster import GuardedAdjuster
from polewright.session.safety import GuardedMount
from polewright.session.site import Site
from polewright.session.stopping import all_of, lost_in_motion, stop_motors
from polewright.session.workplace import Devices, Memory


class Attached:
    """The devices that are attached now; None in between.

    Parameters
    ----------
    solver, clock
        As the evening's.
    memory : Memory
        Its wishes go by what the attached mount taught.
    keeper, experience
        Told of every frame; asked what mount and optics taught.
    guard : Guard
        Holds the mount behind its interlocks.
    """

    def __init__(
        self,
        solver: Solver,
        clock: Clock,
        memory: Memory,
        keeper: Keeper,
        experience: Experience,
        guard: Guard,
    ) -> None:
        self._solver = solver
        self._clock = clock
        self._memory = memory
        self._keeper = keeper
        self._experience = experience
        self._guard = guard
        self._measurer: FrameMeasurer | None = None
        self._motors_lost: set[str] = set()
        self.devices: Devices | None = None
        self.knobs = experience.knobs("")

    @property
    def mount(self) -> GuardedMount | None:
        """The mount, behind its interlocks."""
        return self._guard.mount

    @property
    def motors(self) -> GuardedAdjuster | None:
        """The motorised adjuster, behind its own."""
        return None if self.devices is None else self.devices.motors

    @property
    def place(self) -> Place | None:
        """Where the mount stands; None while nothing is attached."""
        return None if self.devices is None else self.devices.place

    def take(
        self,
        camera: Camera,
        mount: MovingMount | None,
        place: Place,
        optics: SolveHint | None,
        site: Site | None,
        adjuster: Adjuster | None,
    ) -> None:
        """Take connected devices into use."""
        self._guard.attach(mount, site or Site(place=place), camera.name)
        wishes = self._memory.wishes
        motors = None
        if adjuster is not None:
            motors = GuardedAdjuster(
                adjuster, self._guard.mount, place, self._clock, wishes.limits,
                total_deg=wishes.motors.total_deg, doubts=site.doubts if site else (),
            )  # fmt: skip
        hint = optics or wishes.optics
        if self._measurer is not None:  # the sky has not turned far since
            hint = self._measurer.toward_the_last(hint)
        watched = WatchedCamera(camera)
        keep = partial(self._keeper.note_frame, place=place, camera=camera.name)
        self._measurer = FrameMeasurer(
            watched, self._solver, place, self._clock, hint, keep, self._experience.trains
        )
        self.devices = Devices(
            camera=watched,
            measurer=self._measurer,
            exposures=ExposureFinder(watched),
            place=place,
            mount=self._guard.mount,
            motors=motors,
        )
        self._take_up_mount(mount.name if mount else "")

    def let_go(self) -> PolewrightError | None:
        """Let the devices go; return what moved when they went and may move on, if anything."""
        motors, self.devices = self.motors, None
        may_move = [self._guard.detach()]
        if motors is not None and motors.moving:
            self._motors_lost.add(motors.name)
            may_move.append(lost_in_motion(motors.name))
        return all_of(may_move)

    def allow_motion(self) -> None:
        """Begin a command: motion that a stop ended before may be asked for again."""
        if self.mount is not None:
            self.mount.allow_motion()
        if self.motors is not None:
            self.motors.allow_motion()

    def confirm_clear(self) -> None:
        """Take the person's word that mount and motors are clear to move."""
        self._guard.confirm_clear()
        if self.motors is not None:
            self.motors.confirm_clear()

    async def stop(
        self, end_work: Callable[[], Awaitable[bool]]
    ) -> tuple[bool, PolewrightError | None]:
        """Stop motors and mount first, then the work.

        Parameters
        ----------
        end_work : callable
            Ends what runs; returns whether anything did.

        Returns
        -------
        bool, PolewrightError or None
            What ``end_work`` said; why something may move on, if so: a person must see to it.
        """
        motors = self.motors
        if motors is not None:
            motors.hold()
        if self.mount is not None:
            self.mount.halt()  # at once: its stop begins only when its task does
        mount_stops = asyncio.ensure_future(self._guard.stop())
        motors_stop: asyncio.Future[DeviceError | LinkError | None] | None = None
        if motors is not None and motors.moving:
            # Both answer after a while, in which the step must not end as a failure of its own:
            # they are told first, the work is ended, and then their answers are awaited.
            motors_stop = asyncio.ensure_future(stop_motors(motors))
            await asyncio.sleep(0)
        else:
            await mount_stops
        stopped = await end_work()
        troubles: list[PolewrightError | None] = [await mount_stops]
        if motors_stop is not None:
            troubles.append(await motors_stop)
        troubles.extend(lost_in_motion(name) for name in sorted(self._motors_lost))
        return stopped, all_of(troubles)

    async def stop_mount_after_loss(self, mount: Mount | None) -> PolewrightError | None:
        """Stop a mount whose connection broke while it moved; return what to tell of it, if so."""
        try:
            return await self._guard.stop_after_loss(mount)
        except PolewrightError as failure:
            return failure

    async def stop_motors_after_loss(self, adjuster: Adjuster | None) -> PolewrightError | None:
        """Stop motors whose connection broke while they moved; return what prevented it."""
        if adjuster is None or adjuster.name not in self._motors_lost:
            return None
        try:
            await adjuster.abort()
        except PolewrightError as trouble:
            return trouble
        self._motors_lost.discard(adjuster.name)
        return None

    def _take_up_mount(self, name: str) -> None:
        """Go by what this mount taught, and by no other's."""
        self.knobs = self._experience.knobs(name)
        if self._memory.wishes.floor_is_learned:
            floor = self._experience.floor(name).floor_arcsec
            self._memory.wishes = self._memory.wishes.with_floor(floor)
