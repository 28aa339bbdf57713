"""Live steps: what one more frame teaches of a pose, hands still or moving.

The axis is ``E u`` always; everything else only helps to know ``E`` better than one frame shows:

* before the bolts are touched ``E u`` is the axis that the survey found;
* bolts turn the mount about two vectors, so that about a third one only the slip in right
  ascension, the bend of the vectors (the tilt of the base) and the play of the bolts turn it;
* what the bend is, every motion seen tells a little better.
"""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.bolts import BoltTurns, MountTriad, split_rotation, turns_between
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.live_model import (
    Interval,
    LiveModel,
    bends_prior,
    noise_enu,
    slip_rad,
    steepness,
)
from polewright.core.axis.live_pose import (
    ATTITUDE,
    AXIS,
    BENDS,
    SIZE,
    WANDER,
    LivePose,
    carried_to,
    expected,
    nudged,
    seen,
    shifted,
    turned_by,
    updated,
)
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.geometry.directions import ARCSEC_RAD, any_perpendiculars, cross, sky_tangents
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    cross_matrix,
    rotation_about,
    vector_from_rotation,
)

# Two tangents of the survey's axis and the survey's own axis agree unless less likely than this
# (chi-square with 2 degrees of freedom at 1 %).
_TOUCHED_SINCE_SURVEY_CHI2 = 9.21
# A misfit about the third vector beyond this many sigma (squared) is a nudge in right ascension.
_NUDGED_CHI2 = 16.0
# One motion teaches a bolt's vector if it is this many sigma long, ...
_TELLING_SIGMAS = 10.0
# ... within this slope of that bolt alone, ...
_ONE_BOLT_SLOPE = 0.25
# ... as far as the vector's bend allows (chi-square, 3 sigma), ...
_ONE_BOLT_CHI2 = 9.0
# ... and never better than this: the other hand may have rested on its bolt.
_SLOPE_SIGMA = 0.003

_BORESIGHT = np.array([1.0, 0.0, 0.0])


def first_pose(survey: AxisEstimate, observed: ObservedAttitude, model: LiveModel) -> LivePose:
    """Return what the first frame of an adjustment tells.

    Where the frame's axis agrees with the survey's, the bolts have not been touched since, and
    the survey's axis helps to know this attitude.
    """
    floor_rad2 = (model.mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    attitude = observed.enu_from_camera
    if not model.use_roll:
        attitude = attitude @ _roll_between(survey.axis_camera, attitude.T @ survey.axis_enu)
    tangents = np.column_stack(any_perpendiculars(survey.axis_camera))
    covariance = np.zeros((SIZE, SIZE))
    # Seen = E exp(w) exp(n): the attitude's error is minus wander and noise.
    covariance[ATTITUDE, ATTITUDE] = noise_enu(observed, model) + np.eye(3) * floor_rad2
    covariance[ATTITUDE, WANDER] = -attitude * floor_rad2
    covariance[WANDER, ATTITUDE] = -attitude.T * floor_rad2
    covariance[WANDER, WANDER] = np.eye(3) * floor_rad2
    covariance[AXIS, AXIS] = tangents.T @ survey.axis_camera_covariance_rad2 @ tangents
    pose = LivePose(
        enu_from_camera=attitude,
        wander=np.zeros(3),
        axis_camera=survey.axis_camera,
        axis_tangents=tangents,
        bends=np.zeros(4),
        covariance=covariance,
        instant=observed.instant,
    )
    covariance[BENDS, BENDS] = bends_prior(pose.axis_enu, model)
    return _untouched_since(survey, pose)


def kept_still(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> LivePose:
    """Return what a further frame adds while the bolts are not touched.

    A nudge in right ascension in between is taken as such, where roll tells it from the bolts.
    """
    carried = _slipped(carried_to(pose, interval, observed.instant), model, interval)
    axis = carried.axis_enu
    noise = noise_enu(observed, model)
    # Of the axis, both components together: what lies along the axis does not move it.
    known = noise if model.use_roll else noise - _roll_part(observed, noise)
    one_frame_rad2 = float(np.trace(known) - axis @ known @ axis)
    creep_rad2 = 0.5 * one_frame_rad2 / model.memory_frames**2
    covariance = carried.covariance.copy()
    covariance[ATTITUDE, ATTITUDE] += creep_rad2 * (np.eye(3) - np.outer(axis, axis))
    carried = replace(carried, covariance=covariance)
    missing = _missing(seen(carried), observed, model)
    along = float(axis @ expected(carried, noise) @ axis)
    if model.use_roll and (missing @ axis) ** 2 > _NUDGED_CHI2 * along:
        carried = nudged(carried, float(missing @ axis), model)
        missing = _missing(seen(carried), observed, model)
    return updated(carried, missing, noise)


def moved_by_bolts(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> LivePose:
    """Return what a frame tells after hands have turned the bolts by unknown amounts."""
    carried = carried_to(pose, interval, observed.instant)
    noise = noise_enu(observed, model)
    bolts = carried.bolts
    if not model.use_roll:
        turns = turns_between(bolts, carried.enu_from_camera[:, 0], observed.enu_from_camera[:, 0])
        guess = _slipped(turned_by(carried, bolts, turns, model), model, interval)
        return updated(guess, _missing(guess.enu_from_camera, observed, model), noise)
    seen_turn = observed.enu_from_camera @ carried.enu_from_camera.T
    turns, _ = split_rotation(bolts, seen_turn, MountTriad.of(carried.axis_enu).forward)
    guess = _slipped(turned_by(carried, bolts, turns, model), model, interval)
    missing = _missing(guess.enu_from_camera, observed, model)
    if float(missing @ np.linalg.solve(expected(guess, noise), missing)) > _NUDGED_CHI2:
        # Right ascension slipped as well: nothing but the axis is left to go by.
        turns, nudge_rad = split_rotation(bolts, seen_turn, carried.axis_enu)
        guess = nudged(turned_by(carried, bolts, turns, model), nudge_rad, model)
        missing = _missing(guess.enu_from_camera, observed, model)
    return updated(guess, missing, noise)


def drift_since(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return how far a frame lies from where the pose has it, in what only bolts can change.

    Returns
    -------
    drift_rad : ndarray of shape (2,) or (3,)
        Of the axis, whatever right ascension did: increasing azimuth on the sky, increasing
        altitude (rad).  Where roll is not used: of the attitude, roll left open, right ascension
        believed to slip no more than it does by itself.
    of_pose_rad2, of_frame_rad2 : ndarray of shape (2, 2) or (3, 3)
        What of it the pose and the frame would make by themselves (rad^2).
    """
    carried = carried_to(pose, interval, observed.instant)
    noise = noise_enu(observed, model)
    if not model.use_roll:
        carried = _slipped(carried, model, interval)
        nothing = np.zeros((3, 3))
        return _missing(seen(carried), observed, model), expected(carried, nothing), noise
    axis = carried.axis_enu
    tangents = np.stack(sky_tangents(axis))
    drift = tangents @ (observed.enu_from_camera - seen(carried)) @ pose.axis_camera
    by_attitude = -tangents @ cross_matrix(axis)
    of_pose = by_attitude @ expected(carried, np.zeros((3, 3))) @ by_attitude.T
    return drift, np.asarray(of_pose), np.asarray(by_attitude @ noise @ by_attitude.T)


def slip_since(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> float:
    """Return how far right ascension slipped from where the interval has it (rad)."""
    carried = carried_to(pose, interval, observed.instant)
    return float(_missing(seen(carried), observed, model) @ carried.axis_enu)


def turns_since(before: LivePose, now: LivePose) -> tuple[BoltTurns, NDArray[np.float64]]:
    """Return how far the bolts turned between two poses, and the covariance (2, 2; rad^2).

    Counted as level bolts count, and by the axis alone: a turn of the mount in right ascension
    in between does not matter.
    """
    bolts, target = before.effective_bolts, now.axis_enu
    turns = turns_between(bolts, before.axis_enu, target)
    effect = np.stack(sky_tangents(target)) @ np.column_stack(
        [cross(bolts.azimuth_enu, target), cross(bolts.altitude_enu, target)]
    )
    inverse = np.linalg.pinv(effect, rcond=1e-9)
    spread = before.attitude_axis_covariance_rad2 + now.attitude_axis_covariance_rad2
    return turns, np.asarray(inverse @ spread @ inverse.T)


def with_one_bolt_seen(pose: LivePose, before: LivePose) -> LivePose:
    """Return the pose with what a motion teaches of a bolt's vector.

    A motion that is nearly along one bolt's effect was made by that bolt alone, since people turn
    one at a time; what is left across it is the bend of that bolt's vector.  Any other motion
    teaches nothing here.
    """
    turns, spread = turns_since(before, pose)
    amounts = np.array([turns.azimuth_rad, turns.altitude_rad])
    main = int(np.argmax(np.abs(amounts)))
    other = 1 - main
    if abs(amounts[main]) < _TELLING_SIGMAS * float(np.sqrt(np.max(np.diag(spread)))):
        return pose
    noise = spread[other, other] / amounts[main] ** 2 + _SLOPE_SIGMA**2
    design = np.zeros(SIZE)
    design[BENDS] = (
        (1.0, 0.0, 0.0, 0.0) if main == 0 else (0.0, 0.0, steepness(pose.axis_enu), -1.0)
    )
    slope = amounts[other] / amounts[main] + before.slopes[main] - pose.slopes[main]
    gain = pose.covariance @ design
    variance = float(design @ gain) + noise
    if abs(slope) > _ONE_BOLT_SLOPE or slope**2 > _ONE_BOLT_CHI2 * variance:
        return pose
    gain = gain / variance
    kept = np.eye(SIZE) - np.outer(gain, design)
    covariance = kept @ pose.covariance @ kept.T + noise * np.outer(gain, gain)
    return shifted(pose, gain * slope, covariance)


def _untouched_since(survey: AxisEstimate, pose: LivePose) -> LivePose:
    cross = survey.axis_cross_covariance_rad2
    if cross is None:
        return pose
    tangents = np.stack(sky_tangents(survey.axis_enu))
    design = np.zeros((2, SIZE))
    design[:, ATTITUDE] = -tangents @ cross_matrix(pose.axis_enu)
    design[:, AXIS] = tangents @ pose.enu_from_camera @ pose.axis_tangents
    of_survey = np.zeros((SIZE, 2))
    of_survey[AXIS] = pose.axis_tangents.T @ cross
    missing = tangents @ (survey.axis_enu - pose.axis_enu)
    with_missing = pose.covariance @ design.T - of_survey
    expected = design @ with_missing - of_survey.T @ design.T + survey.covariance_rad2
    weight = np.linalg.inv(expected)
    if float(missing @ weight @ missing) > _TOUCHED_SINCE_SURVEY_CHI2:
        return pose
    gain = with_missing @ weight
    return shifted(pose, gain @ missing, pose.covariance - gain @ expected @ gain.T)


def _slipped(pose: LivePose, model: LiveModel, interval: Interval) -> LivePose:
    """Let right ascension slip by as much as it does by itself."""
    covariance = pose.covariance.copy()
    slip = slip_rad(model, interval)
    covariance[ATTITUDE, ATTITUDE] += slip**2 * np.outer(pose.axis_enu, pose.axis_enu)
    return replace(pose, covariance=covariance)


def _missing(attitude: Matrix, observed: ObservedAttitude, model: LiveModel) -> Vector:
    """Return the turn from an attitude to the observed one, roll left as it is if not used."""
    shown = observed.enu_from_camera
    if not model.use_roll:
        between = attitude.T @ shown
        roll = math.atan2(between[1, 2] - between[2, 1], between[1, 1] + between[2, 2])
        shown = shown @ rotation_about(_BORESIGHT, roll)
    return vector_from_rotation(shown @ attitude.T)


def _roll_between(axis_camera: Vector, wanted_camera: Vector) -> Matrix:
    """Return the roll that turns the axis, as a camera sees it, toward a direction."""
    before = math.atan2(axis_camera[2], axis_camera[1])
    return rotation_about(_BORESIGHT, math.atan2(wanted_camera[2], wanted_camera[1]) - before)


def _roll_part(observed: ObservedAttitude, noise: NDArray[np.float64]) -> NDArray[np.float64]:
    boresight = observed.enu_from_camera[:, 0]
    return np.asarray(float(boresight @ noise @ boresight) * np.outer(boresight, boresight))
