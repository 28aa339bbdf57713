"""The evening: takes commands, runs one workflow at a time, and tells what is going on."""

import asyncio
import logging
import math
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from typing import Any

from polewright.core.axis.correction import Correction, correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.knobs import Bolt
from polewright.core.axis.tonight import tonights_pole
from polewright.core.errors import (
    DeviceError,
    LinkError,
    MeasurementError,
    PolewrightError,
    UsageError,
)
from polewright.core.geometry.directions import (
    ARCSEC_RAD,
    angle_between,
    vector_from_spherical,
)
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.records import LiveSetting, SurveyRecord
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.ports import (
    Adjuster,
    Camera,
    CameraInfo,
    Clock,
    Journal,
    Mount,
    MovingMount,
    PierSide,
    Publisher,
    Solver,
)
from polewright.session.adjustment import VALIDITY_S, run_adjustment
from polewright.session.experience import Experience
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.following import Follower, LiveCorrection, Standing
from polewright.session.guarding import SOLAR_FILTER_CAUTION, Guard, stop_shielded
from polewright.session.hand_survey import run_hand_survey
from polewright.session.keeping import Keeper, NoJournal, age_s, age_warning
from polewright.session.knob_reports import KnobReports
from polewright.session.limits import SafetyLimits
from polewright.session.measuring import FrameMeasurer
from polewright.session.messages import (
    Message,
    correction_message,
    event_message,
    site_message,
    state_message,
    survey_message,
    targets_message,
)
from polewright.session.motor_adjustment import (
    LONG_WAY_RAD,
    MotorProgress,
    MotorWish,
    run_motor_adjustment,
)
from polewright.session.notices import Notices
from polewright.session.phases import Happening, Phase, advance
from polewright.session.safe_adjuster import GuardedAdjuster, stop_motors
from polewright.session.safety import GuardedMount
from polewright.session.site import Site
from polewright.session.survey import (
    SurveyScene,
    SurveyWish,
    run_survey,
    with_wish,
)

_log = logging.getLogger(__name__)

Reply = Callable[[Message], None]
Work = Callable[[], Coroutine[Any, Any, Message]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWindow:
    """Tonight's target (ICRS, deg) and when it is shot."""

    right_ascension_deg: float
    declination_deg: float
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class EveningWishes:
    """What the person set: plan, limits and optics.

    ``floor_is_learned``: the survey's mechanical floor is the one that the mount's own surveys
    show.  ``arcmin_per_turn``: what is said of the knobs (per turn clockwise, signed).
    """

    survey: SurveyWish = field(default_factory=SurveyWish)
    limits: SafetyLimits = field(default_factory=SafetyLimits)
    target_pole: str = "refracted"
    tolerance_arcsec: float = 60.0
    wish_arcsec: float | None = None
    window: PlannedWindow | None = None
    live_exposure_s: float | None = 0.5
    optics: SolveHint = field(default_factory=SolveHint)
    motors: MotorWish = field(default_factory=MotorWish)
    floor_is_learned: bool = True
    arcmin_per_turn: Mapping[Bolt, float] = field(default_factory=dict)

    def asked(self, arguments: Mapping[str, Any]) -> "EveningWishes":
        """Return the wishes with what a command's arguments ask for instead."""
        of_survey = {
            name: arguments[name]
            for name in ("frames", "sweep_deg", "exposure_s", "settle_s")
            if arguments.get(name) is not None
        }
        of_evening = {
            name: arguments[name]
            for name in ("target_pole", "tolerance_arcsec")
            if arguments.get(name) is not None
        }
        asked = replace(self, survey=replace(self.survey, **of_survey), **of_evening)
        wish_arcsec = arguments.get("wish_arcsec") or self.wish_arcsec
        return replace(asked, survey=with_wish(asked.survey, asked.tolerance_arcsec, wish_arcsec))


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
    ) -> None:
        self._solver = solver
        self._clock = clock
        self._publisher = publisher
        self._wishes = wishes
        journal = journal or NoJournal()
        self._notices = Notices(publisher)
        self._keeper = Keeper(journal, clock)
        self._experience = Experience(journal, clock, wishes.arcmin_per_turn)
        self._phase = Phase.IDLE
        self._since = clock.now()
        self._survey: AxisEstimate | None = None
        self._kept: SurveyRecord | None = None
        self._camera: Camera | None = None
        self._guard = Guard(clock, wishes.limits)
        self._after_loss: PolewrightError | None = None
        self._motors: GuardedAdjuster | None = None
        self._motors_lost: set[str] = set()
        self._place: Place | None = None
        self._measurer: FrameMeasurer | None = None
        self._exposures: ExposureFinder | None = None
        self._work: asyncio.Task[Message | PolewrightError] | None = None
        self._link_trouble: PolewrightError | None = None
        self._state: Message = {}
        self.ready = asyncio.Event()
        self._correction: Message | None = None
        self._standing: Standing | None = None
        self._knobs = self._experience.knobs("")
        self._publish_state(step="connecting the devices")

    @property
    def phase(self) -> Phase:
        """What the service is doing."""
        return self._phase

    @property
    def state(self) -> Message:
        """The last published state."""
        return dict(self._state)

    @property
    def link_trouble(self) -> PolewrightError | None:
        """Why the devices are not connected; None while they are, and before the first attempt."""
        return self._link_trouble

    @property
    def last_frame(self) -> Frame | None:
        """The camera's last frame, while it is remembered."""
        return self._camera.last if isinstance(self._camera, WatchedCamera) else None

    async def restore(self) -> None:
        """Take up what earlier evenings taught, and tell their last survey with its age."""
        await self._experience.restore()
        kept = await self._keeper.last_survey()
        if kept is None or self._survey is not None:
            return
        self._survey, self._kept = kept.estimate, kept
        self._standing = Standing(
            declination_deg=kept.declination_deg, pier_side=PierSide(kept.pier_side)
        )
        self._tell_kept()
        _log.info(
            "the last survey, of %s: off by %.2f arcmin",
            kept.estimate.instant.isoformat(timespec="minutes"),
            kept.correction.total_error_arcmin,
        )

    def _tell_kept(self) -> None:
        """Tell an earlier evening's survey with its age, by the clock as it is set now."""
        if (kept := self._kept) is None:
            return
        message = survey_message(kept.estimate, kept.correction, kept.target_pole)
        message["age_s"] = age_s(kept.estimate, self._clock.now())
        self._publisher.publish("survey", message, retain=True)

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
        self._camera = watched = WatchedCamera(camera)
        self._exposures = ExposureFinder(watched)
        self._place = place
        self._guard.attach(mount, site or Site(place=place), camera.name)
        self._motors = None
        if adjuster is not None:
            self._motors = GuardedAdjuster(
                adjuster, self._guard.mount, place, self._clock, self._wishes.limits,
                total_deg=self._wishes.motors.total_deg,
            )  # fmt: skip
        hint = optics or self._wishes.optics
        if self._measurer is not None:  # the sky has not turned far since
            hint = self._measurer.toward_the_last(hint)
        keep = partial(self._keeper.note_frame, place=place, camera=camera.name)
        self._measurer = FrameMeasurer(
            watched, self._solver, place, self._clock, hint, keep, self._experience.trains
        )
        self._take_up_mount(mount.name if mount else "")
        self._link_trouble = None
        self._tell_kept()  # a receiver may have set the clock right
        if site is not None:
            self._tell_site(site)
        self.ready.set()
        if (after_loss := self._after_loss) is not None:
            self._after_loss = None
            self._happen(Happening.TROUBLE, reason=after_loss)
            return
        if self._phase is Phase.BLOCKED and not self._guard.must_stop:
            self._happen(Happening.CLEARED)
        self._publish_state(step="ready")

    def _tell_site(self, site: Site) -> None:
        self._publisher.publish("site", site_message(site), retain=True)
        for doubt in site.doubts:
            self._tell_event(
                f"{doubt.text}; {doubt.consequence}", remedy=doubt.remedy, code=doubt.code
            )

    async def stop_after_loss(self, mount: Mount | None) -> None:
        """Stop a mount whose connection broke while it moved, as soon as it is back."""
        try:
            self._after_loss = await self._guard.stop_after_loss(mount)
        except PolewrightError as failure:
            self._after_loss = failure

    async def stop_motors_after_loss(self, adjuster: Adjuster | None) -> None:
        """Stop motors whose connection broke while they moved, as soon as they are back."""
        if adjuster is None or adjuster.name not in self._motors_lost:
            return
        self._motors_lost.discard(adjuster.name)
        try:
            await adjuster.abort()
        except PolewrightError as trouble:
            self._tell_event(trouble.text, remedy=trouble.remedy, code=trouble.code)

    async def watch(self) -> None:
        """Watch for ever that no mount tracks into a limit, and that its site stays as it was."""

        def warn(trouble: PolewrightError) -> None:
            self._tell_event(trouble.text, remedy=trouble.remedy, code=trouble.code)

        await self._guard.watch(warn)

    @property
    def _mount(self) -> GuardedMount | None:
        return self._guard.mount

    def expected_optics(self, camera: str, info: CameraInfo, hint: SolveHint) -> SolveHint:
        """Return what to make ready for: the hint, or what the camera showed on other evenings."""
        return self._experience.trains.expected(camera, info, hint)

    def _take_up_mount(self, name: str) -> None:
        """Go by what this mount taught, and by no other's."""
        self._knobs = self._experience.knobs(name)
        if self._wishes.floor_is_learned:
            floor = self._experience.floor(name).floor_arcsec
            survey = replace(self._wishes.survey, mechanical_floor_arcsec=floor)
            self._wishes = replace(self._wishes, survey=survey)

    def detach(self, reason: PolewrightError) -> None:
        """Take note that the devices are gone; whatever runs is ended and the reason shown."""
        self._camera = None
        self._guard.detach()
        if self._motors is not None and self._motors.moving:
            self._motors_lost.add(self._motors.name)
            self._tell_event(
                f"the connection was lost while {self._motors.name} moved: its motors may still "
                "turn", remedy="Look at the mount, and cut the motors' power if they turn.",
                code="lost_in_motion",
            )  # fmt: skip
        self._motors = None
        self._link_trouble = reason
        self.ready.clear()
        if self._work is not None and not self._work.done():
            self._work.cancel()
        elif self._phase is Phase.IDLE:
            self._happen(Happening.TROUBLE, reason=reason)
        else:
            self._publish_state(reason=reason)

    async def handle(
        self, verb: str, arguments: Mapping[str, Any], progress: Reply | None = None
    ) -> Message:
        """Carry out a command and return its result.

        Raises
        ------
        PolewrightError
            What went wrong, with a remedy.
        """
        tell = progress or (lambda _message: None)
        match verb:
            case "stop":
                message, trouble = await self._stop()
                if trouble is not None:
                    raise trouble
                return message
            case "confirm_clear":
                self._guard.confirm_clear()
                if self._motors is not None:
                    self._motors.confirm_clear()
                return {"clear": True}
            case "confirm_solar_filter":
                return self._confirm_solar_filter(arguments)
            case "survey":
                return await self._run(
                    Happening.SURVEY_ASKED, lambda: self._surveying(tell, arguments)
                )
            case "adjust":
                return await self._run(
                    Happening.ADJUST_ASKED, lambda: self._adjusting(tell, arguments)
                )
            case "turned":
                return await self._knobs.turned(Bolt(arguments["bolt"]), arguments["turns"])
        raise UsageError(
            f"there is no command '{verb}'",
            remedy="Commands: survey, adjust, turned, stop, confirm_clear, confirm_solar_filter.",
            code="unknown_verb",
        )

    async def stop(self) -> Message:
        """Stop motors and mount first, then whatever runs; always allowed."""
        message, _ = await self._stop()
        return message

    async def _stop(self) -> tuple[Message, PolewrightError | None]:
        """Stop as :meth:`stop` does; return also why the motors did not take it, if so."""
        motors = self._motors
        stops = [stop_shielded(self._mount)] if self._mount is not None else []
        stopping: asyncio.Future[DeviceError | LinkError | None] | None = None
        if motors is not None:
            motors.hold()
        if motors is not None and motors.moving:
            # Both answer after a while, in which the step must not end as a failure of its own:
            # they are told first, the work is ended, and then their answers are awaited.
            stopping = asyncio.ensure_future(stop_motors(motors))
            answers = asyncio.gather(*stops)
            await asyncio.sleep(0)
        else:
            answers = None
            for stop in stops:
                await stop
        stopped = self._work is not None and not self._work.done()
        if stopped and self._work is not None:
            self._work.cancel()
            await asyncio.wait({self._work}, timeout=10.0)
        elif self._phase is Phase.BLOCKED and self._link_trouble is None:
            self._happen(Happening.STOPPED)
        if answers is not None:
            await answers
        trouble = None if stopping is None else await stopping
        if trouble is not None:
            self._tell_event(trouble.text, remedy=trouble.remedy, code=trouble.code)
        return {"stopped": stopped}, trouble

    def _confirm_solar_filter(self, arguments: Mapping[str, Any]) -> Message:
        camera, fitted = str(arguments["camera"]), arguments.get("fitted", True)
        self._guard.confirm_solar_filter(camera, fitted=fitted)
        if fitted:
            self._tell_event(
                SOLAR_FILTER_CAUTION, remedy="Take your word back when the filter comes off: "
                "polewright solar-filter CAMERA --removed.", code="solar_filter_confirmed",
            )  # fmt: skip
        return {"camera": camera, "fitted": fitted}

    async def _run(self, asked: Happening, work: Work) -> Message:
        self._refuse_without_devices()
        self._happen(asked)
        if self._mount is not None:
            self._mount.allow_motion()
        if self._motors is not None:
            self._motors.allow_motion()
        async with asyncio.TaskGroup() as group:
            task = self._work = group.create_task(_outcome(work))
        self._work = None
        self._experience.keep_trains()
        last = self._correction
        self._still_correction()
        if task.cancelled():
            if self._link_trouble is not None:
                self._happen(Happening.TROUBLE, reason=self._link_trouble)
                raise self._link_trouble
            self._happen(Happening.STOPPED)
            if asked is Happening.ADJUST_ASKED and last is not None:
                figures = ("verdict", "total_error_arcmin", "total_error_sigma_arcmin")
                return {"stopped": True} | {name: last[name] for name in figures}
            raise MeasurementError(
                "stopped as asked", remedy="Start again when ready.", code="stopped"
            )
        outcome = task.result()
        if isinstance(outcome, PolewrightError):
            self._happen(Happening.TROUBLE, reason=outcome)
            raise outcome
        self._happen(Happening.DONE)
        return outcome

    def _refuse_without_devices(self) -> None:
        if self._link_trouble is not None:
            raise self._link_trouble

    async def _surveying(self, tell: Reply, arguments: Mapping[str, Any]) -> Message:
        _, measurer, place = self._devices()
        by_hand = bool(arguments.get("by_hand"))
        if self._mount is None and not by_hand:
            raise UsageError(
                "no mount is connected, so the service cannot turn it for a survey",
                remedy="Connect the mount in the INDI server, name it in [mount] device, or turn "
                "the axis yourself: polewright survey --by-hand.",
                code="no_mount",
            )

        def progress(step: str, frames: int, percent: int) -> None:
            self._publish_state(step=step, frames=frames, percent=percent)
            tell({"step": step, "percent": percent})

        wishes = self._wishes.asked(arguments)
        self._keeper.begin_survey()
        scene = SurveyScene(
            mount=self._mount,
            measurer=measurer,
            place=place,
            clock=self._clock,
            wish=wishes.survey,
            progress=progress,
            exposures=self._finder(),
        )
        outcome = await (run_hand_survey(scene) if by_hand else run_survey(scene))
        estimate = outcome.estimate
        self._survey, self._kept, self._wishes = estimate, None, wishes
        self._standing = Standing.of(await self._mount.status()) if self._mount else None
        result = self._correction_of(estimate, place)
        message = survey_message(
            estimate, result, wishes.target_pole, further_sigma_rad=outcome.further_sigma_rad
        )
        not_kept = await self._keeper.commit_survey(
            estimate,
            result,
            place,
            target_pole=wishes.target_pole,
            target_enu=self._target(place),
            tolerance_arcsec=wishes.tolerance_arcsec,
            mechanical_floor_arcsec=wishes.survey.mechanical_floor_arcsec,
            standing=self._standing or Standing(),
            mount=self._mount.name if self._mount else "",
        )
        if not_kept is not None:
            self._tell_event(
                f"this survey is not kept and a restart would forget it: {not_kept.text}",
                remedy=not_kept.remedy,
                code="survey_not_kept",
            )
        self._publisher.publish("survey", message, retain=True)
        self._notices.survey(message)
        _log.info(
            "survey: %s; %s (off by %.2f arcmin +- %.2f; %s)",
            result.altitude_words, result.azimuth_words,
            result.total_error_arcmin, result.total_error_sigma_arcmin, result.verdict.value,
        )  # fmt: skip
        return message

    async def _adjusting(self, tell: Reply, arguments: Mapping[str, Any]) -> Message:
        _, measurer, place = self._devices()
        survey = self._survey
        if survey is None:
            raise UsageError(
                "the axis has not been surveyed yet, so there is nothing to adjust from",
                remedy="Run a survey first.",
                code="no_survey",
            )

        if (warning := age_warning(survey, self._clock.now())) is not None:
            self._tell_event(warning, remedy="Survey again to be sure.", code="old_survey")
            tell({"step": warning})

        self._notices.begin_adjustment()
        self._wishes = wishes = self._wishes.asked(arguments)
        by_motors = arguments.get("motors", wishes.motors.use)
        motors = self._adjuster_to_use() if by_motors else None
        doing = "looking where the axis is" if by_motors else "turn the bolts"

        def setting() -> LiveSetting:
            return LiveSetting(
                survey_instant=self._surveyed().instant,
                place=place,
                target_pole=wishes.target_pole,
                target_enu=self._target(place),
                tolerance_arcsec=wishes.tolerance_arcsec,
                mechanical_floor_arcsec=wishes.survey.mechanical_floor_arcsec,
            )

        def on_correction(live: LiveCorrection) -> None:
            self._keeper.note_correction(live, setting())
            message = correction_message(
                live.correction,
                sequence=live.sequence,
                live=True,
                frame_age_s=live.frame_age_s,
                latency_ms=live.latency_ms,
                altitude_knob=live.altitude_knob,
                azimuth_knob=live.azimuth_knob,
            )
            self._correction = message
            self._publisher.publish("correction", message, retain=True)
            self._notices.correction(message)
            targets = targets_message(live.targets, live.width_px, live.height_px)
            self._publisher.publish("targets", targets, retain=False)
            self._publish_state(step=doing, frames=live.sequence)
            tell({"step": doing, "correction": message})

        def on_trouble(failure: MeasurementError, without_s: float) -> None:
            self._publish_state(
                step="no solved frame at the moment", frames=measurer.taken, reason=failure
            )
            if without_s > VALIDITY_S:
                self._still_correction()

        def on_step(words: str) -> None:
            nonlocal doing
            doing = words
            self._publish_state(step=doing)
            tell({"step": doing})

        def follower(reports: KnobReports | None = None) -> Follower:
            return Follower(
                measurer,
                self._clock,
                self._surveyed(),
                self._target(place),
                tolerance_rad=wishes.tolerance_arcsec * ARCSEC_RAD,
                exposure_s=(
                    arguments.get("exposure_s") or wishes.live_exposure_s or self._finder().live_s
                ),
                mechanical_floor_arcsec=wishes.survey.mechanical_floor_arcsec,
                on_correction=on_correction,
                on_trouble=on_trouble,
                mount=self._mount,
                standing=self._standing,
                reports=reports,
            )

        if motors is None:
            until_good = bool(arguments.get("stop_when_good"))
            final = await run_adjustment(
                follower(self._knobs), self._knobs, self._clock, until_good=until_good
            )
            return _verdict_of(final)
        progress = MotorProgress()
        again = wishes.motors.survey_again and self._can_survey() and self._far_off(place)
        final = await run_motor_adjustment(
            follower(), motors, progress, on_step=on_step, stop_short=again
        )
        if again:
            on_step("surveying again before the last approach")
            self._still_correction()
            await self._surveying(tell, {})
            final = await run_motor_adjustment(
                follower(), motors, progress, on_step=on_step, stop_short=False
            )
        return _verdict_of(final) | {"motor_steps": progress.steps}

    def _adjuster_to_use(self) -> GuardedAdjuster:
        if self._motors is None:
            raise UsageError(
                "no motorised adjuster is connected, so the bolts are turned by hand",
                remedy="Start its driver and name it in [adjuster] device, or leave --motors out.",
                code="no_adjuster",
            )
        self._motors.require_clear()
        return self._motors

    def _surveyed(self) -> AxisEstimate:
        if self._survey is None:
            raise AssertionError("an adjustment begins from a survey")
        return self._survey

    def _can_survey(self) -> bool:
        return self._mount is not None and self._mount.can_slew

    def _far_off(self, place: Place) -> bool:
        return angle_between(self._surveyed().axis_enu, self._target(place)) > LONG_WAY_RAD

    def _devices(self) -> tuple[Camera, FrameMeasurer, Place]:
        if self._camera is None or self._measurer is None or self._place is None:
            raise LinkError(
                "no camera is connected yet",
                remedy="Check the INDI server and the camera's cable.",
                code="no_camera",
            )
        return self._camera, self._measurer, self._place

    def _finder(self) -> ExposureFinder:
        if self._exposures is None:
            raise AssertionError("attached together with the camera")
        return self._exposures

    def _target(self, place: Place) -> Vector:
        """Return where the axis should point: the pole that the wishes name."""
        if self._wishes.target_pole != "tonight":
            return pole_enu(place, refracted=self._wishes.target_pole == "refracted")
        window = self._wishes.window
        if window is None:
            raise UsageError(
                "tonight's pole needs to know what is shot tonight and when",
                remedy="Set [plan] right_ascension_deg, declination_deg, start_utc and end_utc.",
                code="no_window",
            )
        direction = vector_from_spherical(
            math.radians(window.right_ascension_deg), math.radians(window.declination_deg)
        )
        return tonights_pole(place, direction, window.start, window.end).axis_enu

    def _correction_of(self, estimate: AxisEstimate, place: Place) -> Correction:
        return correct(
            estimate.axis_enu,
            estimate.covariance_rad2,
            self._target(place),
            tolerance_rad=self._wishes.tolerance_arcsec * ARCSEC_RAD,
            trustworthy=estimate.consistent,
        )

    def _tell_event(self, text: str, *, remedy: str, code: str) -> None:
        """Warn: in the log and on displays."""
        _log.warning("%s. %s", text, remedy)
        self._publisher.publish("event", event_message("warning", code, text, remedy), retain=False)

    def _still_correction(self) -> None:
        """Take the live figures off every display: none of them is true any more."""
        if self._correction is not None:
            still = self._correction | {"live": False}
            self._correction = None
            self._publisher.publish("correction", still, retain=True)

    def _happen(self, happening: Happening, *, reason: PolewrightError | None = None) -> None:
        before = self._phase
        self._phase = advance(before, happening)
        self._since = self._clock.now()
        if before is not self._phase or reason is not None:
            self._keeper.note_transition(before, self._phase, happening, reason)
        if reason is not None:
            _log.warning("%s: %s", self._phase.value, reason)
            self._notices.trouble(reason)
        elif before is not self._phase:
            _log.info("%s -> %s", before.value, self._phase.value)
        if reason is None:
            self._notices.well()
        self._publish_state(reason=reason)

    def _publish_state(
        self,
        *,
        step: str = "",
        frames: int = 0,
        percent: int | None = None,
        reason: PolewrightError | None = None,
    ) -> None:
        self._state = state_message(
            self._phase,
            self._since,
            step=step,
            frames=frames,
            percent=percent,
            reason=reason.text if reason else None,
            remedy=reason.remedy if reason else None,
        )
        self._publisher.publish("state", self._state, retain=True)


def _verdict_of(final: Correction) -> Message:
    return {
        "verdict": final.verdict.value,
        "total_error_arcmin": round(final.total_error_arcmin, 4),
        "total_error_sigma_arcmin": round(final.total_error_sigma_arcmin, 4),
    }


async def _outcome(work: Work) -> Message | PolewrightError:
    """Return what the work returns, or the expected error that ended it."""
    try:
        return await work()
    except PolewrightError as failure:
        return failure
