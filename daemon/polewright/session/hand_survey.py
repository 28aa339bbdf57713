"""A survey whose axis is turned by hand: frames come as they come, still ones are kept.

For star trackers without go-to and mounts without a computer link.  Nothing here moves a motor.
"""

import asyncio
import logging
import math
from dataclasses import replace

from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.forecast import further_frame
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.axis.weighing import (
    FEWEST_PLACES,
    SurveyFrame,
    Weighed,
    blames_roll,
    still_in_doubt,
    weigh,
)
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import vector_from_rotation
from polewright.session.survey import SurveyOutcome, SurveyScene, side_of, side_told

_log = logging.getLogger(__name__)

# Two frames in a row that differ by no more than this, beyond the sky's own turn, stand still.
_STILL_RAD = math.radians(60.0 / 3600.0)
# The sky's turn between two frames of a mount that does not track (rad/s), with a margin.
_SKY_RATE_RAD_S = 1.1 * SIDEREAL_RATE_RAD_S
# A rest this far from all earlier ones is a new place.
_NEW_PLACE_RAD = math.radians(8.0)
_MOST_PLACES = 10
# From here on frames that disagree are asked whether their roll alone is to blame.
_PLACES_BEFORE_BLAME = 5
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
    kept: list[SurveyFrame] = []
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
        kept.append(SurveyFrame(attitude=now, side=await _side(scene)))
        deadline_s = scene.clock.monotonic() + _PATIENCE_S
        outcome = await _grown(scene, kept)
        if outcome is not None:
            return outcome
    if trouble is not None and not kept:
        raise trouble
    raise MeasurementError(
        f"the axis rested at {len(kept)} places only, and then nobody turned it for "
        f"{_PATIENCE_S / 60.0:.0f} minutes",
        remedy="Start again; turn by about 20 deg, let it rest for two frames, and again.",
        code="nobody_turned",
    )


async def _side(scene: SurveyScene) -> str:
    """Return the side of the pier where a mount tells it; one that is silent is no trouble."""
    if scene.mount is None:
        return ""
    try:
        return side_told(await scene.mount.status())
    except PolewrightError as trouble:
        _log.debug("the mount does not say on which side of the pier it is: %s", trouble)
        return ""


async def _grown(scene: SurveyScene, kept: list[SurveyFrame]) -> SurveyOutcome | None:
    """Return the outcome once it is good enough; else say what to do next."""
    taken = scene.measurer.taken
    if len(kept) < FEWEST_PLACES:
        scene.progress(
            f"place {len(kept)} taken: turn right ascension by about 20 deg, the same way, and "
            "let it rest",
            taken,
            20 * len(kept),
        )
        return None
    weighed = await asyncio.to_thread(_weighed, scene, kept)
    estimate = weighed.believed()
    precise = estimate is not None and estimate.sigma_rad <= scene.wish.wish_arcsec * ARCSEC_RAD
    if estimate is not None and (precise or len(kept) >= _MOST_PLACES):
        return await asyncio.to_thread(_outcome, scene, kept[weighed.left_out :], estimate, weighed)
    if estimate is not None:
        state = f"known to {estimate.sigma_rad / ARCSEC_RAD:.0f} arcsec"
    elif weighed.left_out:
        state = f"the first {weighed.left_out} are of the pier's other side and do not count"
    else:
        state = "no axis yet: the frames disagree"
    scene.progress(f"place {len(kept)} taken, {state}: turn on, and let it rest", taken, 80)
    return None


def _weighed(scene: SurveyScene, kept: list[SurveyFrame]) -> Weighed:
    """Return what the frames say; without roll where that alone is to blame.

    Raises
    ------
    MeasurementError
        What moved, once there are as many places as a person is asked to turn to.
    """
    rules = scene.wish.rules(scene.place)
    last = len(kept) >= _MOST_PLACES
    try:
        weighed = weigh(kept, rules)
    except MeasurementError:
        if last:
            raise
        return Weighed(estimate=None, believable=False)  # a wider turn may do
    if weighed.believable or len(kept) < _PLACES_BEFORE_BLAME:
        return weighed
    try:
        blames_roll(kept, weighed, rules)
    except MeasurementError:
        if last:
            raise
        return weighed
    weighed = weigh(kept, rules, without_roll=True)
    if last and not weighed.believable:
        raise still_in_doubt(kept, weighed)
    return weighed


def _outcome(
    scene: SurveyScene, counted: list[SurveyFrame], estimate: AxisEstimate, weighed: Weighed
) -> SurveyOutcome:
    turns = [float(turn) for turn in estimate.turn_angles_rad]
    first = estimate.labels[0]
    forecast = further_frame(
        next(frame.attitude for frame in counted if frame.attitude.label == first),
        estimate.axis_enu,
        turns,
        largest_turn_rad=max(turns, key=abs),
        mechanical_floor_arcsec=scene.wish.mechanical_floor_arcsec,
        use_roll=estimate.roll_used,
    )
    return SurveyOutcome(
        estimate=estimate,
        further_sigma_rad=forecast.sigma_rad,
        left_out=weighed.left_out,
        side=side_of(counted[-1]),
    )


def _rests(before: ObservedAttitude, now: ObservedAttitude) -> bool:
    """Return whether the camera stood, or turned no more than the sky, between two frames."""
    elapsed_s = abs((now.instant - before.instant).total_seconds())
    return _angle(before, now) < _STILL_RAD + _SKY_RATE_RAD_S * elapsed_s


def _is_new(now: ObservedAttitude, kept: list[SurveyFrame]) -> bool:
    return all(_angle(one.attitude, now) > _NEW_PLACE_RAD for one in kept)


def _angle(first: ObservedAttitude, second: ObservedAttitude) -> float:
    turn = vector_from_rotation(second.enu_from_camera @ first.enu_from_camera.T)
    return math.sqrt(float(turn @ turn))
