"""Adjusting: the evening's live adjustment from a survey on, by hands or by motors."""

from collections.abc import Callable, Coroutine, Mapping
from typing import Any

from polewright.core.axis.estimate import AxisEstimate, Method
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.records import LiveSetting
from polewright.session.adjustment import run_adjustment
from polewright.session.aim import Aim
from polewright.session.body_adjusting import adjust_by_body
from polewright.session.following import Follower
from polewright.session.keeping import age_warning
from polewright.session.knob_reports import KnobReports
from polewright.session.live_telling import LiveTelling, verdict_of
from polewright.session.messages import Message
from polewright.session.motor_adjustment import LONG_WAY_RAD, MotorProgress, run_motor_adjustment
from polewright.session.safe_adjuster import GuardedAdjuster
from polewright.session.sensor_adjusting import adjust_by_sensor
from polewright.session.surveying import survey_axis
from polewright.session.workplace import Workplace


async def adjust_axis(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Tell live how far the axis is off, while hands or motors turn the bolts.

    Raises
    ------
    UsageError
        ``no_survey``, ``no_adjuster``.
    MeasurementError
        ``optics_changed``, ``mount_changed``: another camera or mount is in use than at the survey.
    PolewrightError
        What the adjustment raises.
    """
    return await _WAYS[Method(arguments.get("by", Method.STARS))](work, arguments)


async def adjust_by_stars(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Follow the axis from a survey on by frames of stars."""
    memory = work.memory
    if memory.survey is None:
        raise UsageError(
            "the axis has not been surveyed yet, so there is nothing to adjust from",
            remedy="Run a survey first.",
            code="no_survey",
        )
    if (warning := age_warning(memory.survey, work.clock.now())) is not None:
        work.teller.event(warning, remedy="Survey again to be sure.", code="old_survey")
        work.reply({"step": warning})
    _refuse_other_devices(work)
    if memory.in_doubt:
        work.teller.event(
            "something was seen to move since the survey: corrections are right only if that was "
            "the tripod, and not the camera in its holder or declination",
            remedy="Survey again to be sure.",
            code="moved_since_survey",
        )
    work.teller.begin_adjustment()
    memory.wishes = memory.wishes.asked(arguments)
    adjusting = _Adjusting(work, arguments.get("exposure_s"))
    if arguments.get("motors", memory.wishes.motors.use):
        return await adjusting.by_motors(_motors_to_use(work.devices.motors))
    return await adjusting.by_hands(until_good=bool(arguments.get("stop_when_good")))


class _Adjusting:
    """One adjustment, and the words for what is being done in it."""

    def __init__(self, work: Workplace, exposure_s: float | None) -> None:
        self._work = work
        self._exposure_s = exposure_s
        self._aim = Aim(work.memory, work.devices.place)
        self._telling = LiveTelling(
            work, "turn the bolts", lambda live: work.keeper.note_correction(live, self._setting())
        )

    async def by_hands(self, *, until_good: bool) -> Message:
        """Tell what hands must still turn."""
        knobs = self._work.knobs
        final = await run_adjustment(
            await self._follower(knobs), knobs, self._work.clock, until_good=until_good
        )
        return verdict_of(final)

    async def by_motors(self, motors: GuardedAdjuster) -> Message:
        """Let motors turn the bolts; after a long way survey again before the last approach."""
        self._telling.step("looking where the axis is")
        progress = MotorProgress()
        again = (
            self._work.memory.wishes.motors.survey_again and self._can_survey() and self._far_off()
        )
        final = await run_motor_adjustment(
            await self._follower(), motors, progress, on_step=self._telling.step, stop_short=again
        )
        if again:
            self._telling.step("surveying again before the last approach")
            self._work.teller.still_correction()
            await survey_axis(self._work, {})
            final = await run_motor_adjustment(
                await self._follower(),
                motors,
                progress,
                on_step=self._telling.step,
                stop_short=False,
            )
        return verdict_of(final) | {"motor_steps": progress.steps}

    async def _follower(self, reports: KnobReports | None = None) -> Follower:
        devices, memory = self._work.devices, self._work.memory
        wishes = memory.wishes
        longest_s = self._exposure_s or wishes.survey.exposure_s
        if longest_s is None:
            longest_s = await devices.exposures.longest_live_s()
        return Follower(
            devices.measurer,
            self._work.clock,
            self._surveyed(),
            self._target(),
            tolerance_rad=wishes.tolerance_arcsec * ARCSEC_RAD,
            exposure_s=self._exposure_s or wishes.live_exposure_s or devices.exposures.live_s,
            mechanical_floor_arcsec=wishes.survey.mechanical_floor_arcsec,
            on_correction=self._telling.correction,
            on_trouble=self._telling.trouble,
            mount=devices.mount,
            standing=memory.standing,
            reports=reports,
            longest_exposure_s=longest_s,
            aim=self._aim,
        )

    def _setting(self) -> LiveSetting:
        wishes = self._work.memory.wishes
        return LiveSetting(
            survey_instant=self._surveyed().instant,
            place=self._work.devices.place,
            target_pole=wishes.target_pole,
            target_enu=self._target(),
            tolerance_arcsec=wishes.tolerance_arcsec,
            mechanical_floor_arcsec=wishes.survey.mechanical_floor_arcsec,
        )

    def _surveyed(self) -> AxisEstimate:
        if (survey := self._work.memory.survey) is None:
            raise AssertionError("an adjustment begins from a survey")
        return survey

    def _target(self) -> Vector:
        return self._aim()[0]

    def _can_survey(self) -> bool:
        mount = self._work.devices.mount
        return mount is not None and mount.can_slew

    def _far_off(self) -> bool:
        return angle_between(self._surveyed().axis_enu, self._target()) > LONG_WAY_RAD


def _refuse_other_devices(work: Workplace) -> None:
    """Refuse a survey that knows the axis in another camera's frame, or another mount's axis."""
    if (mounts := work.memory.other_mount(work.mount_name)) is not None:
        raise MeasurementError(
            f"the survey was made on the mount {mounts}, and {work.mount_name} is in use now",
            remedy="Survey again, with the mount that is in use now.",
            code="mount_changed",
        )
    standing, camera = work.memory.standing, work.devices.camera.name
    if standing is not None and standing.camera not in ("", camera):
        raise MeasurementError(
            f"the survey was made with the camera {standing.camera}, and {camera} is in use now",
            remedy="Survey again, with the camera that is in use now.",
            code="optics_changed",
        )


def _motors_to_use(motors: GuardedAdjuster | None) -> GuardedAdjuster:
    if motors is None:
        raise UsageError(
            "no motorised adjuster is connected, so the bolts are turned by hand",
            remedy="Start its driver and name it in [adjuster] device, or leave --motors out.",
            code="no_adjuster",
        )
    motors.require_clear()
    return motors


_WAYS: Mapping[Method, Callable[[Workplace, Mapping[str, Any]], Coroutine[Any, Any, Message]]] = {
    Method.STARS: adjust_by_stars,
    Method.SENSOR: adjust_by_sensor,
    Method.BODIES: adjust_by_body,
}
