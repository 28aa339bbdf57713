"""Motor adjustment: measure, step, measure, learn, until the axis is where it shall be.

No hand is needed; every frame is told like those of an adjustment by hand.  What is not
understood ends it: the axis is never said to be good on an adjuster that did what nobody asked.
"""

import asyncio
import logging
import math
from collections.abc import Callable
from dataclasses import dataclass

from polewright.core.axis.correction import Correction, Verdict
from polewright.core.axis.live_pose import LivePose
from polewright.core.axis.motor_steps import (
    MotorStep,
    next_step,
    refuse_doubtful,
    refuse_unreachable_step,
)
from polewright.core.axis.motors import MotorMove, Motors, learned
from polewright.core.errors import DeviceError, MeasurementError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, angle_between
from polewright.session.following import Follower, LiveCorrection
from polewright.session.safe_adjuster import GuardedAdjuster

_log = logging.getLogger(__name__)

# Frames at rest before and after each step: more of them near the goal.
_FRAMES_FAR, _FRAMES_NEAR = 3, 8
_NEAR_RAD = 4.0 * ARCMIN_RAD
# Frames to wait for rest at most: a motor that reports its end too early, gusts, clouds.
_MOST_FRAMES = 60
# No adjuster needs more commands than this for one adjustment; usual are 5 to 7.
MOST_STEPS = 16
# As near as this part of the tolerance is near enough, within these (rad).
_GOAL_PART = 1.0 / 3.0
_GOAL_RAD = (3.0 * ARCSEC_RAD, 15.0 * ARCSEC_RAD)
# Nearer than this many sigma nobody can tell.
_GOAL_SIGMAS = 1.2
# After this many steps in a row that did not bring the axis nearer it does not converge.
_FUTILE_STEPS = 4
_NEARER_PART = 0.9
# A survey in between is made this far from the target, on the near side of the play.
LEAVE_RAD = 1.5 * ARCMIN_RAD
# A way longer than this makes it worth while.
LONG_WAY_RAD = math.radians(0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorWish:
    """What the person wants of the motors.

    Attributes
    ----------
    use : bool
        An adjustment uses them where nothing else is asked for.
    total_deg : float
        How far each may go (deg as it counts).
    survey_again : bool
        After a long way survey again before the last approach, where the mount turns by itself:
        what the camera sees of the axis was measured where the head stood before.
    """

    use: bool = False
    total_deg: float = 5.0
    survey_again: bool = True


@dataclass(slots=True, kw_only=True)
class MotorProgress:
    """What is known of the motors, and how many steps they made; stays over a survey."""

    motors: Motors | None = None
    steps: int = 0
    nearest_rad: float = math.inf
    futile: int = 0


async def run_motor_adjustment(
    follower: Follower,
    adjuster: GuardedAdjuster,
    progress: MotorProgress,
    *,
    on_step: Callable[[str], None],
    stop_short: bool,
) -> Correction:
    """Bring the axis to its target by the motors.

    Parameters
    ----------
    follower : Follower
        Measures the axis.
    progress : MotorProgress
        What was learned before, and is learned now.
    on_step : callable
        Told in words what the motors do.
    stop_short : bool
        End a little short of the target, where a survey follows and a last approach after it.

    Raises
    ------
    SafetyError
        A step was not safe.
    DeviceError
        The adjuster failed, or did what it was not asked to; ``not_converging``.
    MeasurementError
        ``still_moving``: the axis does not come to rest; those of the follower.
    """
    adjuster.require_clear()
    goal_rad = min(max(_GOAL_PART * follower.tolerance_rad, _GOAL_RAD[0]), _GOAL_RAD[1])
    on_step("looking where the axis is")
    live, pose = await _at_rest(follower, moved=False)
    motors = progress.motors = progress.motors or Motors.new(pose.axis_enu)
    while True:
        correction = live.correction
        axis = follower.state.axis
        off_rad = angle_between(axis.axis_enu, follower.target_enu)
        sigma_rad = correction.total_error_sigma_arcmin * ARCMIN_RAD
        _judge_progress(progress, off_rad, sigma_rad)
        if not stop_short and off_rad < max(goal_rad, _GOAL_SIGMAS * sigma_rad):
            return correction
        step = next_step(
            motors,
            axis.axis_enu,
            axis.covariance_rad2,
            follower.target_enu,
            adjuster.limits,
            worth_rad=0.5 * goal_rad,
            leave_rad=LEAVE_RAD if stop_short else 0.0,
            go_back=correction.verdict is not Verdict.GOOD_ENOUGH,
        )
        if step is None:
            return correction
        if _given_up(progress, correction):
            return correction
        refuse_unreachable_step(step, motors, adjuster.limits)
        before = pose
        live, pose = await _stepped(follower, adjuster, progress, step, on_step)
        move = MotorMove(
            commanded_deg=step.commanded_deg,
            before_enu=before.axis_enu,
            after_enu=pose.axis_enu,
            covariance_rad2=(
                before.attitude_axis_covariance_rad2 + pose.attitude_axis_covariance_rad2
            ),
        )
        # A tenth of a second here, a second on a small computer: not on the loop.
        taught = await asyncio.to_thread(learned, motors, move)
        refuse_doubtful(motors, taught)
        motors = progress.motors = taught
        _log.info(
            "step %d (%s): off by %.2f arcmin; scales %+.3f %+.3f, plays %.1f %.1f arcmin",
            progress.steps, step.words, live.correction.total_error_arcmin, *taught.scales,
            *(play / ARCMIN_RAD for play in taught.plays_rad),
        )  # fmt: skip


async def _stepped(
    follower: Follower,
    adjuster: GuardedAdjuster,
    progress: MotorProgress,
    step: MotorStep,
    on_step: Callable[[str], None],
) -> tuple[LiveCorrection, LivePose]:
    progress.steps += 1
    on_step(f"step {progress.steps}: {step.words}")
    await adjuster.step(*step.commanded_deg)
    on_step(f"looking what step {progress.steps} did")
    return await _at_rest(follower, moved=True)


async def _at_rest(follower: Follower, *, moved: bool) -> tuple[LiveCorrection, LivePose]:
    """Measure until the axis has rested long enough."""
    for _ in range(_MOST_FRAMES):
        live = await follower.look(moved=moved)
        if live is None:
            continue
        moved = False
        pose = follower.state.pose
        off_rad = angle_between(follower.state.axis.axis_enu, follower.target_enu)
        wanted = _FRAMES_NEAR if off_rad < _NEAR_RAD else _FRAMES_FAR
        if pose is not None and follower.state.frames >= wanted:
            return live, pose
    raise MeasurementError(
        "the axis does not come to rest, or no frame is solved, so nothing can be learned from "
        "the motors",
        remedy="Look whether the motors still turn (cut their power if so), for wind, and for "
        "clouds; then start again.",
        code="still_moving",
    )


def _judge_progress(progress: MotorProgress, off_rad: float, sigma_rad: float) -> None:
    """Count the steps that did not help, those that only teach left out."""
    motors = progress.motors
    if motors is None or not all(motors.signs):
        progress.nearest_rad = off_rad
        return
    if off_rad < _NEARER_PART * progress.nearest_rad:
        progress.nearest_rad, progress.futile = off_rad, 0
    elif off_rad > sigma_rad:
        progress.futile += 1


def _given_up(progress: MotorProgress, correction: Correction) -> bool:
    """Return whether it gets no better but is good enough.

    Raises
    ------
    DeviceError
        ``not_converging``: it is not good enough either.
    """
    if progress.futile < _FUTILE_STEPS and progress.steps < MOST_STEPS:
        return False
    if correction.verdict is Verdict.GOOD_ENOUGH:
        return True
    raise DeviceError(
        f"after {progress.steps} steps the axis is still off by "
        f"{correction.total_error_arcmin:.2f} arcmin, and the last ones brought it no nearer",
        remedy="The motors stand. Look for a loose clamp or a slipping gear; turn the last bit by "
        "hand: polewright adjust.",
        code="not_converging",
    )
