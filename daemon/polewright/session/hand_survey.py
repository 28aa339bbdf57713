"""A survey whose axis is turned by hand: frames come as they come, still ones are kept.

For star trackers without go-to and mounts without a computer link.  Nothing here moves a motor.
"""

import asyncio
import logging
import math
from dataclasses import replace

from polewright.core.axis.diagnosis import diagnose
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import different_turns, solve_axis_robustly
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import vector_from_rotation
from polewright.session.survey import SurveyOutcome, SurveyScene

_log = logging.getLogger(__name__)

# Two frames in a row that differ by no more than this, beyond the sky's own turn, stand still.
_STILL_RAD = math.radians(60.0 / 3600.0)
# The sky's turn between two frames of a mount that does not track (rad/s), with a margin.
_SKY_RATE_RAD_S = 1.1 * SIDEREAL_RATE_RAD_S
# A rest this far from all earlier ones is a new place.
_NEW_PLACE_RAD = math.radians(8.0)
_MOST_PLACES = 10
_FEWEST_PLACES = 3
# Nobody turned for this long: the survey ends by itself (s).
_PATIENCE_S = 900.0


async def run_hand_survey(scene: SurveyScene) -> SurveyOutcome:
    """Survey while a person turns the axis and lets it rest, again and again.

    Raises
    ------
    MeasurementError
        ``nobody_turned``, what moved where the frames disagree, or what solving raises last.
    DeviceError, LinkError
        From the camera.
    """
    told = scene.progress
    # Displays tell by these words that no motor moves.
    scene = replace(
        scene, progress=lambda step, frames, percent: told(f"by hand: {step}", frames, percent)
    )
    wish, measurer = scene.wish, scene.measurer
    measurer.forget_optics()
    kept: list[ObservedAttitude] = []
    before: ObservedAttitude | None = None
    trouble: MeasurementError | None = None
    exposure_s = wish.exposure_s
    deadline_s = scene.clock.monotonic() + _PATIENCE_S
    scene.progress("let the mount rest for the first frame", measurer.taken, 5)
    while scene.clock.monotonic() < deadline_s:
        try:
            if exposure_s is None:
                found = await scene.exposures.find(
                    measurer, say=lambda words: scene.progress(words, measurer.taken, 5)
                )
                exposure_s, now = found.exposure_s, found.measured.observed
            else:
                now = (await measurer.measure(exposure_s)).observed
        except MeasurementError as failure:
            trouble, before = failure, None
            scene.progress(f"no solution: {failure.text}", measurer.taken, 5)
            await scene.clock.sleep(wish.settle_s)
            continue
        rests = before is not None and _rests(before, now)
        before = now
        if not rests or not _is_new(now, kept):
            continue
        kept.append(now)
        deadline_s = scene.clock.monotonic() + _PATIENCE_S
        estimate = await _grown(scene, kept)
        if estimate is not None:
            return SurveyOutcome(estimate=estimate, further_sigma_rad=estimate.sigma_rad)
    if trouble is not None and not kept:
        raise trouble
    raise MeasurementError(
        f"the axis rested at {len(kept)} places only, and then nobody turned it for "
        f"{_PATIENCE_S / 60.0:.0f} minutes",
        remedy="Start again; turn by about 20 deg, let it rest for two frames, and again.",
        code="nobody_turned",
    )


async def _grown(scene: SurveyScene, kept: list[ObservedAttitude]) -> AxisEstimate | None:
    """Return the estimate once it is good enough; else say what to do next."""
    wish, taken = scene.wish, scene.measurer.taken
    if len(kept) < _FEWEST_PLACES:
        scene.progress(
            f"place {len(kept)} taken: turn right ascension by about 20 deg, the same way, and "
            "let it rest",
            taken,
            20 * len(kept),
        )
        return None
    estimate = await asyncio.to_thread(
        solve_axis_robustly,
        kept,
        mechanical_floor_arcsec=wish.mechanical_floor_arcsec,
        use_roll=wish.use_roll is not False,
    )
    enough = different_turns(estimate.turn_angles_rad) >= _FEWEST_PLACES
    sigma_arcsec = estimate.sigma_rad / ARCSEC_RAD
    if estimate.consistent and enough and sigma_arcsec <= wish.wish_arcsec:
        return estimate
    if len(kept) >= _MOST_PLACES:
        if estimate.consistent:
            return estimate
        found = diagnose(kept, mechanical_floor_arcsec=wish.mechanical_floor_arcsec)
        raise MeasurementError(found.words, remedy=found.remedy, code=found.cause.value)
    state = f"known to {sigma_arcsec:.0f} arcsec" if estimate.consistent else "the frames disagree"
    scene.progress(f"place {len(kept)} taken, {state}: turn on, and let it rest", taken, 80)
    return None


def _rests(before: ObservedAttitude, now: ObservedAttitude) -> bool:
    """Return whether the camera stood, or turned no more than the sky, between two frames."""
    elapsed_s = abs((now.instant - before.instant).total_seconds())
    return _angle(before, now) < _STILL_RAD + _SKY_RATE_RAD_S * elapsed_s


def _is_new(now: ObservedAttitude, kept: list[ObservedAttitude]) -> bool:
    return all(_angle(one, now) > _NEW_PLACE_RAD for one in kept)


def _angle(first: ObservedAttitude, second: ObservedAttitude) -> float:
    turn = vector_from_rotation(second.enu_from_camera @ first.enu_from_camera.T)
    return math.sqrt(float(turn @ turn))
