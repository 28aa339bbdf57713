"""The survey: turn in right ascension, take frames, and find the axis that they share."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass

from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.plan import SurveyPlan, plan_sweep, widest_gap
from polewright.core.axis.survey import solve_axis_robustly
from polewright.core.errors import DeviceError, MeasurementError
from polewright.core.sky.mount_frame import hour_angle_deg
from polewright.core.sky.place import Place
from polewright.ports import Clock
from polewright.session.measuring import FrameMeasurer, believed_direction
from polewright.session.safety import GuardedMount

_log = logging.getLogger(__name__)

Progress = Callable[[str, int, int], None]
"""Called with the step in words, frames taken and percent done."""

# A frame that does not solve (a cloud, a hand before the lens) is tried this often.
_TRIES_PER_PLACE = 2
# When frames disagree this many more are taken before the survey gives up.
_MOST_EXTRA_FRAMES = 2
_FEWEST_FRAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyWish:
    """How to survey (settings: ``[survey]`` and ``[safety]``)."""

    frames: int = 3
    sweep_deg: float = 60.0
    exposure_s: float = 1.0
    settle_s: float = 1.0
    hour_angle_min_deg: float = -85.0
    hour_angle_max_deg: float = 85.0
    meridian_margin_deg: float = 2.0
    cross_meridian: bool = False
    mechanical_floor_arcsec: float = 3.0


async def run_survey(
    mount: GuardedMount,
    measurer: FrameMeasurer,
    place: Place,
    clock: Clock,
    wish: SurveyWish,
    progress: Progress,
) -> AxisEstimate:
    """Survey the axis; the mount ends where it started.

    Raises
    ------
    MeasurementError
        ``frames_disagree``, ``too_few_frames`` and what solving raises.
    SafetyError, DeviceError, LinkError
        A motion was refused or failed; the mount has been stopped.
    """
    status = await mount.status()
    if status.right_ascension_deg is None or status.declination_deg is None:
        raise DeviceError(
            f"{mount.name} does not say where it points",
            remedy="Check its connection, then survey again.",
            code="position_unknown",
        )
    start_hour_angle = hour_angle_deg(status.right_ascension_deg, clock.now(), place)
    declination = status.declination_deg
    plan = plan_sweep(
        start_hour_angle,
        sweep_deg=wish.sweep_deg,
        frames=wish.frames,
        hour_angle_min_deg=wish.hour_angle_min_deg,
        hour_angle_max_deg=wish.hour_angle_max_deg,
        meridian_margin_deg=wish.meridian_margin_deg,
        cross_meridian=wish.cross_meridian,
    )
    _log.info("survey: %d frames over %.0f deg", wish.frames, plan.sweep_deg)
    try:
        estimate = await _sweep(mount, measurer, place, clock, wish, plan, declination, progress)
        progress("turning back to where it started", measurer.taken, 95)
        low, high = wish.hour_angle_min_deg, wish.hour_angle_max_deg
        await mount.turn_to(min(max(start_hour_angle, low), high), declination)
    except BaseException:
        await stop_shielded(mount)
        raise
    return estimate


async def stop_shielded(mount: GuardedMount) -> None:
    """Stop the mount even while this task is being cancelled; bounded by the adapter."""
    try:
        await asyncio.shield(mount.abort())
    except Exception as trouble:
        _log.warning("the mount did not take the stop: %s", trouble)


async def _sweep(
    mount: GuardedMount,
    measurer: FrameMeasurer,
    place: Place,
    clock: Clock,
    wish: SurveyWish,
    plan: SurveyPlan,
    declination: float,
    progress: Progress,
) -> AxisEstimate:
    attitudes: list[ObservedAttitude] = []
    count = len(plan.hour_angles_deg)
    trouble: MeasurementError | None = None
    for index, hour_angle in enumerate(plan.hour_angles_deg):
        progress(f"turning to place {index + 1} of {count}", measurer.taken, 90 * index // count)
        await mount.turn_to(hour_angle, declination)
        await clock.sleep(wish.settle_s)
        progress(f"taking frame {index + 1} of {count}", measurer.taken, 90 * index // count + 10)
        try:
            attitudes.append(await _frame(mount, measurer, place, clock, wish))
        except MeasurementError as failure:
            trouble = failure
            _log.warning("place %d of %d: %s", index + 1, count, failure)
    if len(attitudes) < _FEWEST_FRAMES:
        raise trouble or MeasurementError(
            f"only {len(attitudes)} frames were planned",
            remedy="Set survey.frames to 3 or more: two frames cannot check each other.",
            code="too_few_frames",
        )
    estimate = solve_axis_robustly(attitudes, mechanical_floor_arcsec=wish.mechanical_floor_arcsec)
    visited = list(plan.hour_angles_deg)
    for _ in range(_MOST_EXTRA_FRAMES):
        if estimate.consistent:
            break
        progress("the frames disagree: taking one more", measurer.taken, 90)
        visited.append(widest_gap(visited))
        await mount.turn_to(visited[-1], declination)
        await clock.sleep(wish.settle_s)
        attitudes.append(await _frame(mount, measurer, place, clock, wish))
        estimate = solve_axis_robustly(
            attitudes, mechanical_floor_arcsec=wish.mechanical_floor_arcsec
        )
    if not estimate.consistent:
        raise MeasurementError(
            "the frames disagree: the declination axis or the tripod moved during the survey",
            remedy="Check the declination clamp and the tripod's feet, then survey again.",
            code="frames_disagree",
        )
    return estimate


async def _frame(
    mount: GuardedMount, measurer: FrameMeasurer, place: Place, clock: Clock, wish: SurveyWish
) -> ObservedAttitude:
    for attempt in range(_TRIES_PER_PLACE):
        direction = believed_direction(await mount.status(), place, clock)
        try:
            return (await measurer.measure(wish.exposure_s, direction)).observed
        except MeasurementError as failure:
            if attempt + 1 == _TRIES_PER_PLACE:
                raise
            _log.info("no solution, one more try: %s", failure)
    raise AssertionError("unreachable")
