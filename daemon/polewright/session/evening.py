"""The evening: takes commands, runs one workflow at a time, and tells what is going on."""

import asyncio
import logging
from collections.abc import Callable, Coroutine, Mapping
from typing import Any

from polewright.core.axis.knobs import Bolt
from polewright.core.errors import (
    LinkError,
    MeasurementError,
    PolewrightError,
    UsageError,
)
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.sky.place import Place
from polewright.ports import (
    Adjuster,
    Camera,
    CameraInfo,
    Clock,
    Gate,
    Journal,
    Mount,
    MovingMount,
    Publisher,
    Solver,
    TargetCatalogue,
    WatchInputs,
)
from polewright.session.attached import Attached
from polewright.session.experience import Experience
from polewright.session.guarding import SOLAR_FILTER_CAUTION, Guard
from polewright.session.keeping import Keeper, NoJournal
from polewright.session.messages import Message
from polewright.session.phases import Happening, Phase, advance
from polewright.session.placing import note_placement
from polewright.session.planning import Planner
from polewright.session.safety import GuardedMount
from polewright.session.sensor_desk import SensorDesk, no_sensor
from polewright.session.shortage import shortage_told
from polewright.session.site import Site
from polewright.session.stopping import all_of
from polewright.session.telling import Teller
from polewright.session.wishes import EveningWishes
from polewright.session.workflows import WORKFLOWS
from polewright.session.workplace import Memory, Reply, Workplace

_log = logging.getLogger(__name__)

Work = Callable[[], Coroutine[Any, Any, Message]]

# Stopped, these end with what they knew.
_LEFT_WITH_FIGURES = (Happening.ADJUST_ASKED, Happening.VERIFY_ASKED)


class Evening:
    """One mount's evening.

    Devices come and go (:meth:`attach`, :meth:`detach`); the last committed survey stays, and
    comes back from the journal (:meth:`restore`) with what mount and optics taught.  ``ready`` is
    set while devices are attached.
    """

    def __init__(
        self,
        solver: Solver,
        clock: Clock,
        publisher: Publisher,
        wishes: EveningWishes,
        journal: Journal | None = None,
        sensor: SensorDesk | None = None,
        watched: WatchInputs | None = None,
        gate: Gate | None = None,
        catalogue: TargetCatalogue | None = None,
    ) -> None:
        self._sensor = sensor
        self._watched = watched
        self._gate = gate
        self._clock = clock
        journal = journal or NoJournal()
        self._memory = Memory(wishes=wishes)
        self._keeper = Keeper(journal, clock)
        self._teller = Teller(publisher, clock)
        self._experience = Experience(journal, clock, wishes.arcmin_per_turn)
        self._guard = Guard(clock, wishes.limits)
        self._attached = Attached(
            solver, clock, self._memory, self._keeper, self._experience, self._guard
        )
        self.planner = Planner(
            self._memory, clock, journal, self._teller, lambda: self.place, catalogue
        )
        self._after_loss: PolewrightError | None = None
        self._stops = 0
        self._work: asyncio.Task[Message | PolewrightError] | None = None
        self._over = asyncio.Event()
        self._over.set()
        self._link_trouble: PolewrightError | None = None
        self.ready = asyncio.Event()
        self._teller.state(step="connecting the devices")

    @property
    def phase(self) -> Phase:
        """What the service is doing."""
        return self._teller.phase

    @property
    def state(self) -> Message:
        """The last published state."""
        return self._teller.last_state

    @property
    def link_trouble(self) -> PolewrightError | None:
        """Why the devices are not connected; None while they are, and before the first attempt."""
        return self._link_trouble

    @property
    def last_frame(self) -> Frame | None:
        """The camera's last frame, while it is remembered."""
        devices = self._attached.devices
        return None if devices is None else devices.camera.last

    async def restore(self) -> None:
        """Take up what earlier evenings taught, the plan, and tell the last survey with its age."""
        await self._experience.restore()
        await self.planner.restore()
        kept = await self._keeper.last_survey()
        if kept is None or self._memory.survey is not None:
            return
        self._memory.take_up(kept)
        self._teller.earlier_survey(kept)
        _log.info(
            "the last survey, of %s: off by %.2f arcmin",
            kept.estimate.instant.isoformat(timespec="minutes"),
            kept.correction.total_error_arcmin,
        )

    def attach(
        self,
        camera: Camera,
        mount: MovingMount | None,
        place: Place,
        optics: SolveHint | None = None,
        site: Site | None = None,
        adjuster: Adjuster | None = None,
    ) -> None:
        """Take connected devices into use.

        ``optics`` is what is believed of scale and parity; ``site`` who told place and time, and
        what does not fit.
        """
        self._attached.take(camera, mount, place, optics, site, adjuster)
        self._link_trouble = None
        if self._memory.kept is not None:  # a receiver may have set the clock right
            self._teller.earlier_survey(self._memory.kept)
        if site is not None:
            self._teller.site(site)
        self.ready.set()
        if (after_loss := self._after_loss) is not None:
            self._after_loss = None
            self._happen(Happening.TROUBLE, reason=after_loss)
            return
        if self.phase is Phase.BLOCKED and not self._guard.must_stop:
            self._happen(Happening.CLEARED)
        self._teller.state(step="ready")

    async def stop_after_loss(self, mount: Mount | None) -> None:
        """Stop a mount whose connection broke while it moved, as soon as it is back."""
        if mount is not None and self._guard.was_lost_in_motion(mount.name):
            self._teller.state(step=f"{mount.name} is back: telling it to stop")
        self._after_loss = await self._attached.stop_mount_after_loss(mount)

    async def stop_motors_after_loss(self, adjuster: Adjuster | None) -> None:
        """Stop motors whose connection broke while they moved, as soon as they are back."""
        if (trouble := await self._attached.stop_motors_after_loss(adjuster)) is not None:
            self._teller.warn(trouble)

    async def watch(self) -> None:
        """Watch for ever that no mount tracks into a limit, and that its site stays as it was."""
        await self._guard.watch(self._teller.warn)

    @property
    def wishes(self) -> EveningWishes:
        """What was asked for last."""
        return self._memory.wishes

    @property
    def place(self) -> Place | None:
        """Where the mount stands; None while no devices are attached."""
        return self._attached.place

    def unready(self) -> str | None:
        """Return why nothing could begin now without interrupting; None where it could.

        What blocked earlier work (clouds, a command that could not be) blocks no later one.
        """
        if self._link_trouble is not None:
            return self._link_trouble.text
        if self._attached.devices is None:
            return "no camera is connected yet"
        if self._work is not None and not self._work.done():
            return f"other work goes on: {self.phase.value}"
        if self.phase is Phase.BLOCKED and self._guard.must_stop:
            return f"the service is blocked: {self._teller.last_state.get('reason')}"
        return None

    def tell_schedule(self, **parts: Message | str | None) -> None:
        """Tell what is planned."""
        self._teller.schedule(**parts)

    def warn(self, text: str, *, remedy: str, code: str) -> None:
        """Warn, in the log and on displays."""
        self._teller.event(text, remedy=remedy, code=code)

    @property
    def _mount(self) -> GuardedMount | None:
        return self._guard.mount

    def expected_optics(self, camera: str, info: CameraInfo, hint: SolveHint) -> SolveHint:
        """Return what to make ready for: the hint, or what the camera showed on other evenings."""
        return self._experience.trains.expected(camera, info, hint)

    def detach(self, reason: PolewrightError) -> None:
        """Take note that the devices are gone; whatever runs is ended and the reason shown."""
        if (trouble := self._attached.let_go()) is not None:
            self._teller.warn(trouble)
            reason = all_of((trouble, reason)) or reason
        self._link_trouble = reason
        self.ready.clear()
        if self.phase is Phase.WATCHING:  # the frames come from others, and go on coming
            self._teller.state(step="watching", reason=reason)
        elif self._work is not None and not self._work.done():
            self._work.cancel()
        elif self.phase is Phase.IDLE:
            self._happen(Happening.TROUBLE, reason=reason)
        else:
            self._teller.state(reason=reason)

    async def handle(
        self, verb: str, arguments: Mapping[str, Any], progress: Reply | None = None
    ) -> Message:
        """Carry out a command and return its result.

        Raises
        ------
        PolewrightError
            What went wrong, with a remedy.
        """
        reply = progress or (lambda _message: None)
        stop_asked = self._stop_asked_from_now_on()
        match verb:
            case "stop":
                message, trouble = await self._stop()
                if trouble is not None:
                    raise trouble
                return message
            case "confirm_clear":
                self._attached.confirm_clear()
                return {"clear": True}
            case "confirm_solar_filter":
                return self._confirm_solar_filter(arguments)
            case "sensor_on_sun":
                return self._lay_on_sun(arguments)
            case "set_plan":
                return await self.planner.set(arguments)
            case "note_placement":
                self._refuse_while_working()
                return await note_placement(self._workplace(reply), arguments)
            case "turned":
                return await self._attached.knobs.turned(
                    Bolt(arguments["bolt"]), arguments["turns"]
                )
        if verb == "keep_watch" and arguments.get("end"):
            return {"stopped": await self._end_watch()}
        if (workflow := WORKFLOWS.get(verb)) is not None:
            await self.planner.refresh()

            def work() -> Coroutine[Any, Any, Message]:
                if arguments.get("scheduled"):
                    self.planner.wish_as_planned()
                return workflow.work(self._workplace(reply, stop_asked), arguments)

            return await self._run(workflow.asked, work, stop_asked)
        raise UsageError(
            f"there is no command '{verb}'",
            remedy=f"Commands: {', '.join(WORKFLOWS)}, turned, stop, confirm_clear, "
            "confirm_solar_filter, sensor_on_sun, note_placement, set_plan.",
            code="unknown_verb",
        )

    async def stop(self) -> Message:
        """Stop motors and mount first, then whatever runs; always allowed."""
        message, _ = await self._stop()
        return message

    async def _stop(self) -> tuple[Message, PolewrightError | None]:
        """Stop as :meth:`stop` does; return also why something may move on, if so."""
        self._stops += 1
        if self._gate is not None:
            self._gate.shut()
        stopped, trouble = await self._attached.stop(self._end_work)
        if trouble is not None:
            self._teller.warn(trouble)
        return {"stopped": stopped}, trouble

    async def _end_work(self) -> bool:
        """End whatever runs; return whether anything did."""
        if self._work is not None and not self._work.done():
            self._work.cancel()
            await asyncio.wait({self._work}, timeout=10.0)
            return True
        if self.phase is Phase.BLOCKED and self._link_trouble is None:
            self._happen(Happening.STOPPED)
        return False

    def _stop_asked_from_now_on(self) -> Callable[[], bool]:
        """Return what tells whether somebody has said stop since now."""
        before = self._stops
        return lambda: self._stops != before

    def _confirm_solar_filter(self, arguments: Mapping[str, Any]) -> Message:
        camera, fitted = str(arguments["camera"]), arguments.get("fitted", True)
        self._guard.confirm_solar_filter(camera, fitted=fitted)
        if fitted:
            self._teller.event(
                SOLAR_FILTER_CAUTION, remedy="Take your word back when the filter comes off: "
                "polewright solar-filter CAMERA --removed.", code="solar_filter_confirmed",
            )  # fmt: skip
        return {"camera": camera, "fitted": fitted}

    def _lay_on_sun(self, arguments: Mapping[str, Any]) -> Message:
        if self._sensor is None:
            raise no_sensor()
        return self._sensor.lay_on_sun(self._workplace(lambda _message: None).place, arguments)

    async def _run(self, asked: Happening, work: Work, stop_asked: Callable[[], bool]) -> Message:
        self._refuse_without_devices()
        await self._end_watch()
        if stop_asked():  # before anything began
            raise _stopped()
        self._happen(asked)
        self._over.clear()
        try:
            return await self._worked(asked, work)
        finally:
            self._over.set()

    async def _end_watch(self) -> bool:
        """End a watch, if there is one: whatever is asked for comes before it."""
        if self.phase is not Phase.WATCHING or self._work is None:
            return False
        self._work.cancel()
        await self._over.wait()
        return True

    async def _worked(self, asked: Happening, work: Work) -> Message:
        self._attached.allow_motion()
        try:
            async with asyncio.TaskGroup() as group:
                task = self._work = group.create_task(_outcome(work))
        except ExceptionGroup:
            self._happen(Happening.TROUBLE, reason=_stumbled(asked))
            raise
        finally:
            self._work = None
            last = self._teller.still_correction()  # however it ended
        self._experience.keep_trains()
        if task.cancelled():
            if self._link_trouble is not None:
                self._happen(Happening.TROUBLE, reason=self._link_trouble)
                raise self._link_trouble
            self._happen(Happening.STOPPED)
            if asked in _LEFT_WITH_FIGURES and last is not None:
                figures = ("verdict", "total_error_arcmin", "total_error_sigma_arcmin")
                return {"stopped": True} | {name: last[name] for name in figures}
            raise _stopped()
        outcome = task.result()
        if isinstance(outcome, PolewrightError):
            self._happen(Happening.TROUBLE, reason=outcome)
            raise outcome
        self._happen(Happening.DONE)
        return outcome

    def _refuse_while_working(self) -> None:
        if self._work is not None and not self._work.done():
            raise UsageError(
                "a survey, or other work at the mount, is running: the feet stand already",
                remedy="Say where they stand before it, or after its end (`polewright stop`).",
                code="busy",
            )

    def _refuse_without_devices(self) -> None:
        if self._link_trouble is not None:
            raise self._link_trouble

    def _workplace(self, reply: Reply, stop_asked: Callable[[], bool] = lambda: False) -> Workplace:
        devices = self._attached.devices
        if devices is None:
            raise LinkError(
                "no camera is connected yet",
                remedy="Check the INDI server and the camera's cable.",
                code="no_camera",
            )
        return Workplace(
            devices=devices,
            memory=self._memory,
            clock=self._clock,
            keeper=self._keeper,
            experience=self._experience,
            knobs=self._attached.knobs,
            teller=self._teller,
            reply=reply,
            sensor=self._sensor,
            watched=self._watched,
            gate=self._gate,
            mount_now=lambda: self._mount,
            stop_asked=stop_asked,
        )

    def _happen(self, happening: Happening, *, reason: PolewrightError | None = None) -> None:
        before = self.phase
        after = advance(before, happening)
        if before is not after or reason is not None:
            self._keeper.note_transition(before, after, happening, reason)
        self._teller.enter(after, reason)


async def _outcome(work: Work) -> Message | PolewrightError:
    """Return what the work returns, or the expected error that ended it."""
    try:
        with shortage_told():
            return await work()
    except PolewrightError as failure:
        return failure


def _stumbled(asked: Happening) -> PolewrightError:
    """Return what to tell of a bug; it is raised as it is, and another command may begin."""
    return PolewrightError(
        f"polewright itself failed ({asked.value})",
        remedy="See its log, and report it with the log; then try again.",
        code="bug",
    )


def _stopped() -> MeasurementError:
    return MeasurementError("stopped as asked", remedy="Start again when ready.", code="stopped")
