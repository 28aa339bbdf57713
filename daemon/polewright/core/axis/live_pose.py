"""Live pose: what is known of camera, axis and bolts at one instant of an adjustment, together.

An extended Kalman filter.  The state is the camera's attitude ``E`` (ground from camera), how far
the mechanics wander from it (``w``, constant while nothing moves), the axis ``u`` in the camera's
own frame, and how far the bolts' vectors are bent from the level ones.  The axis is ``E u``
always; everything else only helps to know ``E`` better than one frame shows it:

* before the bolts are touched ``E u`` is the axis that the survey found;
* bolts turn the mount about two vectors, so that about a third one only the slip in right
  ascension, the bend of the vectors (the tilt of the base) and the play of the bolts turn it;
* what the bend is, every motion seen tells a little better.

Errors are linearised about the newest frame: attitude and bolts in East-North-Up (left rotation
vectors), wander in the camera's frame (right), the axis across itself in the camera's frame.
"""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.bolts import (
    Bolts,
    BoltTurns,
    MountTriad,
    bent_bolts,
    rotation_of,
    split_rotation,
    turns_between,
)
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC
from polewright.core.geometry.directions import (
    ARCSEC_RAD,
    UP_ENU,
    any_perpendiculars,
    sky_tangents,
    unit,
)
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    cross_matrix,
    rotation_about,
    rotation_from_vector,
    vector_from_rotation,
)

SIDEREAL_RATE_RAD_S = 7.2921158553e-5  # Earth's rotation, IERS Conventions (2010), table 1.2

# Two tangents of the survey's axis and the survey's own axis agree unless less likely than this
# (chi-square with 2 degrees of freedom at 1 %).
_TOUCHED_SINCE_SURVEY_CHI2 = 9.21
# A misfit about the third vector beyond this many sigma (squared) is a nudge in right ascension.
_NUDGED_CHI2 = 16.0
# The bolts' own turns are unknown beforehand: this much and twice what was seen (rad).
_BOLTS_FREE_RAD = 0.02

# Turned this far in right ascension the mechanics settle anew.
_SETTLES_ANEW_RAD = np.deg2rad(1.0)
# One motion teaches a bolt's vector if it is this many sigma long, ...
_TELLING_SIGMAS = 10.0
# ... within this slope of that bolt alone, ...
_ONE_BOLT_SLOPE = 0.25
# ... as far as the vector's bend allows (chi-square, 3 sigma), ...
_ONE_BOLT_CHI2 = 9.0
# ... and never better than this: the other hand may have rested on its bolt.
_SLOPE_SIGMA = 0.003
# Near the zenith the altitude bolt's vector bends more than a base can tilt.
_STEEPEST = 4.0

_ATTITUDE = slice(0, 3)
_WANDER = slice(3, 6)
_AXIS = slice(6, 8)
_BENDS = slice(8, 12)
_SIZE = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveModel:
    """What is believed of a mount beforehand (one sigma each).

    Attributes
    ----------
    mechanical_floor_arcsec : float
        Wander of the mechanics per axis; new after every motion, the same while nothing moves,
        so that averaging frames does not reduce it.
    jitter_arcsec : float
        Seeing and wind per frame and axis, which averaging does reduce.
    slip_arcsec : float
        Right ascension against sidereal time while tracking (periodic error).
    slip_standing_arcsec : float
        The same while the mount stands.
    slip_arcsec_per_s : float
        How fast that grows when no frame is seen for long.
    base_tilt_rad : float
        Tilt of the base, per direction (3 deg: a tripod set up by eye).
    bend_rad : float
        Bend of a bolt's vector for any other reason.
    play_fraction : float
        Turn about the third vector that differs from motion to motion, per motion.
    memory_frames : float
        About so many still frames are averaged; older ones are forgotten, since hands may have
        moved the axis by less than the noise shows.
    jitter_memory_frames : float
        The jitter is learned over about so many frames; infinite: it is believed as given.
    """

    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC
    jitter_arcsec: float = 1.0
    slip_arcsec: float = 30.0
    slip_standing_arcsec: float = 5.0
    slip_arcsec_per_s: float = 0.2
    base_tilt_rad: float = 0.05
    bend_rad: float = 0.01
    play_fraction: float = 0.01
    memory_frames: float = 40.0
    jitter_memory_frames: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """From one frame to another: how long (s), and whether the mount tracked (None: unknown)."""

    duration_s: float
    tracking: bool | None = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LivePose:
    """Estimate and covariance (order: attitude 3, wander 3, axis 2, bends 4; rad^2)."""

    enu_from_camera: Matrix
    wander: Vector
    axis_camera: Vector
    axis_tangents: NDArray[np.float64]
    bends: NDArray[np.float64]
    covariance: NDArray[np.float64]
    instant: datetime

    @property
    def axis_enu(self) -> Vector:
        """The axis (East-North-Up)."""
        return self.enu_from_camera @ self.axis_camera

    @property
    def axis_covariance_rad2(self) -> NDArray[np.float64]:
        """Covariance of the axis: increasing azimuth on the sky, increasing altitude (rad^2)."""
        design = np.hstack([self._axis_by_attitude(), self._axis_by_axis()])
        chosen = [0, 1, 2, 6, 7]
        return np.asarray(design @ self.covariance[np.ix_(chosen, chosen)] @ design.T)

    @property
    def attitude_axis_covariance_rad2(self) -> NDArray[np.float64]:
        """The same as far as the attitude alone makes it: what motions are measured against."""
        design = self._axis_by_attitude()
        return np.asarray(design @ self.covariance[_ATTITUDE, _ATTITUDE] @ design.T)

    @property
    def bolts(self) -> Bolts:
        """The bolts' vectors as learned so far."""
        return bent_bolts(self.axis_enu, self.bends)

    @property
    def effective_bolts(self) -> Bolts:
        """Bolts that move the axis the way the true ones do, and as far per turn as level ones.

        How far the axis really goes per turn also depends on the bends forward, which are known
        badly and late; it belongs to the knobs, and must not change while those are learned.
        """
        of_azimuth, of_altitude = self.slopes
        return bent_bolts(self.axis_enu, np.array([of_azimuth, 0.0, 0.0, -of_altitude]))

    @property
    def slopes(self) -> tuple[float, float]:
        """How far the azimuth bolt also lifts the axis, and the altitude bolt turns its azimuth.

        Both per unit of what the bolt is there for.
        """
        steep = _steepness(self.axis_enu)
        right, forward_azimuth, forward_altitude, up = (float(bend) for bend in self.bends)
        return right / (1.0 + steep * forward_azimuth), steep * forward_altitude - up

    def _axis_by_attitude(self) -> NDArray[np.float64]:
        axis = self.axis_enu
        return np.asarray(-np.stack(sky_tangents(axis)) @ cross_matrix(axis))

    def _axis_by_axis(self) -> NDArray[np.float64]:
        tangents = np.stack(sky_tangents(self.axis_enu))
        return np.asarray(tangents @ self.enu_from_camera @ self.axis_tangents)


def first_pose(survey: AxisEstimate, observed: ObservedAttitude, model: LiveModel) -> LivePose:
    """Return what the first frame of an adjustment tells.

    Where the frame's axis agrees with the survey's, the bolts have not been touched since, and
    the survey's axis helps to know this attitude.
    """
    floor_rad2 = (model.mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    attitude = observed.enu_from_camera
    tangents = np.column_stack(any_perpendiculars(survey.axis_camera))
    covariance = np.zeros((_SIZE, _SIZE))
    # Seen = E exp(w) exp(n): the attitude's error is minus wander and noise.
    covariance[_ATTITUDE, _ATTITUDE] = _noise_enu(observed, model) + np.eye(3) * floor_rad2
    covariance[_ATTITUDE, _WANDER] = -attitude * floor_rad2
    covariance[_WANDER, _ATTITUDE] = -attitude.T * floor_rad2
    covariance[_WANDER, _WANDER] = np.eye(3) * floor_rad2
    covariance[_AXIS, _AXIS] = tangents.T @ survey.axis_camera_covariance_rad2 @ tangents
    pose = LivePose(
        enu_from_camera=attitude,
        wander=np.zeros(3),
        axis_camera=survey.axis_camera,
        axis_tangents=tangents,
        bends=np.zeros(4),
        covariance=covariance,
        instant=observed.instant,
    )
    covariance[_BENDS, _BENDS] = _bends_prior(pose.axis_enu, model)
    return _untouched_since(survey, pose)


def kept_still(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> LivePose:
    """Return what a further frame adds while the bolts are not touched.

    A nudge in right ascension in between is taken as such.
    """
    carried = _carried(pose, interval, observed.instant)
    axis = carried.axis_enu
    noise = _noise_enu(observed, model)
    across = np.stack(sky_tangents(axis))
    one_frame = float(
        np.trace(across @ cross_matrix(axis) @ noise @ cross_matrix(axis).T @ across.T)
    )
    creep_rad2 = 0.5 * one_frame / model.memory_frames**2
    slip_rad = _slip_rad(model, interval)
    covariance = carried.covariance.copy()
    covariance[_ATTITUDE, _ATTITUDE] += creep_rad2 * (np.eye(3) - np.outer(axis, axis))
    covariance[_ATTITUDE, _ATTITUDE] += slip_rad**2 * np.outer(axis, axis)
    carried = replace(carried, covariance=covariance)
    missing = vector_from_rotation(observed.enu_from_camera @ _seen(carried).T)
    if (missing @ axis) ** 2 > _NUDGED_CHI2 * _along(carried, noise, axis):
        carried = _nudged(carried, float(missing @ axis), model)
        missing = vector_from_rotation(observed.enu_from_camera @ _seen(carried).T)
    return _updated(carried, missing, noise)


def moved_by_bolts(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> LivePose:
    """Return what a frame tells after hands have turned the bolts by unknown amounts."""
    carried = _carried(pose, interval, observed.instant)
    noise = _noise_enu(observed, model)
    bolts = carried.bolts
    forward = MountTriad.of(carried.axis_enu).forward
    seen_turn = observed.enu_from_camera @ carried.enu_from_camera.T
    turns, rest = split_rotation(bolts, seen_turn, forward)
    turned = _turned(carried, bolts, turns, model)
    axis = turned.axis_enu
    slip_rad2 = _slip_rad(model, interval) ** 2
    covariance = turned.covariance.copy()
    covariance[_ATTITUDE, _ATTITUDE] += slip_rad2 * np.outer(axis, axis)
    guess = replace(turned, covariance=covariance)
    missing = vector_from_rotation(observed.enu_from_camera @ guess.enu_from_camera.T)
    weight = np.linalg.inv(_expected(guess, noise))
    if float(missing @ weight @ missing) > _NUDGED_CHI2:
        # Right ascension slipped as well: nothing but the axis is left to go by.
        turns, rest = split_rotation(bolts, seen_turn, carried.axis_enu)
        turned = _turned(carried, bolts, turns, model)
        guess = _nudged(turned, rest, model)
        missing = vector_from_rotation(observed.enu_from_camera @ guess.enu_from_camera.T)
    return _updated(guess, missing, noise)


def drift_since(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, interval: Interval
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return how far a frame's axis lies from where the pose has it, whatever right ascension did.

    Returns
    -------
    drift_rad : ndarray of shape (2,)
        Increasing azimuth on the sky, increasing altitude (rad).
    of_pose_rad2, of_frame_rad2 : ndarray of shape (2, 2)
        What of it the pose and the frame would make by themselves (rad^2).
    """
    carried = _carried(pose, interval, observed.instant)
    axis = carried.axis_enu
    tangents = np.stack(sky_tangents(axis))
    drift = tangents @ (observed.enu_from_camera - _seen(carried)) @ pose.axis_camera
    by_attitude = -tangents @ cross_matrix(axis)
    design = _design(carried)
    of_pose = by_attitude @ (design @ carried.covariance @ design.T) @ by_attitude.T
    of_frame = by_attitude @ _noise_enu(observed, model) @ by_attitude.T
    return drift, np.asarray(of_pose), np.asarray(of_frame)


def slip_since(pose: LivePose, observed: ObservedAttitude, interval: Interval) -> float:
    """Return how far right ascension slipped from where the interval has it (rad)."""
    carried = _carried(pose, interval, observed.instant)
    return float(
        vector_from_rotation(observed.enu_from_camera @ _seen(carried).T) @ carried.axis_enu
    )


def turns_since(before: LivePose, now: LivePose) -> tuple[BoltTurns, NDArray[np.float64]]:
    """Return how far the bolts turned between two poses, and the covariance (2, 2; rad^2).

    Counted as level bolts count, and by the axis alone: a turn of the mount in right ascension
    in between does not matter.
    """
    bolts, target = before.effective_bolts, now.axis_enu
    turns = turns_between(bolts, before.axis_enu, target)
    effect = np.stack(sky_tangents(target)) @ np.column_stack(
        [np.cross(bolts.azimuth_enu, target), np.cross(bolts.altitude_enu, target)]
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
    design = np.zeros(_SIZE)
    design[_BENDS] = (
        (1.0, 0.0, 0.0, 0.0) if main == 0 else (0.0, 0.0, _steepness(pose.axis_enu), -1.0)
    )
    slope = amounts[other] / amounts[main] + before.slopes[main] - pose.slopes[main]
    gain = pose.covariance @ design
    variance = float(design @ gain) + noise
    if abs(slope) > _ONE_BOLT_SLOPE or slope**2 > _ONE_BOLT_CHI2 * variance:
        return pose
    gain = gain / variance
    kept = np.eye(_SIZE) - np.outer(gain, design)
    covariance = kept @ pose.covariance @ kept.T + noise * np.outer(gain, gain)
    return _shifted(pose, gain * slope, covariance)


def sidereal_turn_rad(axis_enu: Vector, duration_s: float) -> float:
    """Return how far a tracking mount turns right-handed about the axis's elevated end (rad)."""
    north = axis_enu[1] > 0.0
    return (-1.0 if north else 1.0) * SIDEREAL_RATE_RAD_S * duration_s


def _untouched_since(survey: AxisEstimate, pose: LivePose) -> LivePose:
    cross = survey.axis_cross_covariance_rad2
    if cross is None:
        return pose
    tangents = np.stack(sky_tangents(survey.axis_enu))
    design = np.zeros((2, _SIZE))
    design[:, _ATTITUDE] = -tangents @ cross_matrix(pose.axis_enu)
    design[:, _AXIS] = tangents @ pose.enu_from_camera @ pose.axis_tangents
    of_survey = np.zeros((_SIZE, 2))
    of_survey[_AXIS] = pose.axis_tangents.T @ cross
    missing = tangents @ (survey.axis_enu - pose.axis_enu)
    with_missing = pose.covariance @ design.T - of_survey
    expected = design @ with_missing - of_survey.T @ design.T + survey.covariance_rad2
    weight = np.linalg.inv(expected)
    if float(missing @ weight @ missing) > _TOUCHED_SINCE_SURVEY_CHI2:
        return pose
    gain = with_missing @ weight
    return _shifted(pose, gain @ missing, pose.covariance - gain @ expected @ gain.T)


def _steepness(axis_enu: Vector) -> float:
    """Tangent of the axis's altitude."""
    level = float(np.hypot(axis_enu[0], axis_enu[1]))
    return float(np.clip(float(axis_enu[2]) / max(level, 1e-6), -_STEEPEST, _STEEPEST))


def _bends_prior(axis_enu: Vector, model: LiveModel) -> NDArray[np.float64]:
    """Bends by a base that leans to the right and forward, and a little for other reasons.

    With the vertical leaning by t the azimuth bolt's vector is -(up + t) and the altitude bolt's
    stays square to it and to the axis: axis x (up + t).
    """
    steep = _steepness(axis_enu)
    lean = np.array([[-1.0, 0.0], [0.0, -1.0], [steep, 0.0], [-1.0, 0.0]])
    return np.asarray(lean @ lean.T * model.base_tilt_rad**2 + np.eye(4) * model.bend_rad**2)


def _noise_enu(observed: ObservedAttitude, model: LiveModel) -> NDArray[np.float64]:
    """Noise of one frame as a left rotation (East-North-Up)."""
    camera = observed.covariance_camera_rad2 + np.eye(3) * (model.jitter_arcsec * ARCSEC_RAD) ** 2
    return np.asarray(observed.enu_from_camera @ camera @ observed.enu_from_camera.T)


def _slip_rad(model: LiveModel, interval: Interval) -> float:
    steady = model.slip_standing_arcsec if interval.tracking is False else model.slip_arcsec
    return float(np.hypot(steady, model.slip_arcsec_per_s * interval.duration_s)) * ARCSEC_RAD


def _carried(pose: LivePose, interval: Interval, instant: datetime) -> LivePose:
    """Turn in right ascension as the mount does."""
    angle = (
        0.0 if interval.tracking is False else sidereal_turn_rad(pose.axis_enu, interval.duration_s)
    )
    turn = rotation_about(pose.axis_enu, angle)
    flow = np.eye(_SIZE)
    flow[_ATTITUDE, _AXIS] = (
        (np.eye(3) - turn) @ cross_matrix(pose.axis_enu) @ pose.enu_from_camera @ pose.axis_tangents
    )
    return replace(
        pose,
        enu_from_camera=turn @ pose.enu_from_camera,
        covariance=flow @ pose.covariance @ flow.T,
        instant=instant,
    )


def _turned(pose: LivePose, bolts: Bolts, turns: BoltTurns, model: LiveModel) -> LivePose:
    """Turn the bolts by about so much; how much exactly is free, and the mechanics settle anew."""
    turn = rotation_of(bolts, turns)
    triad = MountTriad.of(pose.axis_enu)
    azimuth, altitude = turns.azimuth_rad, turns.altitude_rad
    flow = np.eye(_SIZE)
    flow[_ATTITUDE, _ATTITUDE] = turn
    flow[_ATTITUDE, _BENDS] = np.column_stack(
        [
            azimuth * triad.right,
            azimuth * triad.forward,
            altitude * triad.forward,
            altitude * UP_ENU,
        ]
    )
    flow[_WANDER, _WANDER] = 0.0
    covariance = flow @ pose.covariance @ flow.T
    floor_rad2 = (model.mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    covariance[_WANDER, _WANDER] = np.eye(3) * floor_rad2
    after = turn @ pose.axis_enu
    riding = rotation_about(bolts.azimuth_enu, azimuth) @ bolts.altitude_enu
    for vector, amount in ((bolts.azimuth_enu, azimuth), (riding, altitude)):
        free_rad = max(_BOLTS_FREE_RAD, 2.0 * abs(amount))
        covariance[_ATTITUDE, _ATTITUDE] += free_rad**2 * np.outer(vector, vector)
    play_rad = model.play_fraction * float(np.hypot(azimuth, altitude))
    forward = MountTriad.of(after).forward
    covariance[_ATTITUDE, _ATTITUDE] += play_rad**2 * np.outer(forward, forward)
    return replace(
        pose,
        enu_from_camera=turn @ pose.enu_from_camera,
        wander=np.zeros(3),
        covariance=covariance,
    )


def _nudged(pose: LivePose, angle_rad: float, model: LiveModel) -> LivePose:
    """Turn in right ascension by about so much; how much exactly is free."""
    axis = pose.axis_enu
    covariance = pose.covariance.copy()
    free_rad = max(_BOLTS_FREE_RAD, 2.0 * abs(angle_rad))
    covariance[_ATTITUDE, _ATTITUDE] += free_rad**2 * np.outer(axis, axis)
    wander = pose.wander
    if abs(angle_rad) > _SETTLES_ANEW_RAD:
        wander = np.zeros(3)
        covariance[_WANDER, :] = covariance[:, _WANDER] = 0.0
        covariance[_WANDER, _WANDER] = np.eye(3) * (model.mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    return replace(
        pose,
        wander=wander,
        enu_from_camera=rotation_about(axis, angle_rad) @ pose.enu_from_camera,
        covariance=covariance,
    )


def _seen(pose: LivePose) -> Matrix:
    return pose.enu_from_camera @ rotation_from_vector(pose.wander)


def _design(pose: LivePose) -> NDArray[np.float64]:
    design = np.zeros((3, _SIZE))
    design[:, _ATTITUDE] = np.eye(3)
    design[:, _WANDER] = pose.enu_from_camera
    return design


def _expected(pose: LivePose, noise: NDArray[np.float64]) -> NDArray[np.float64]:
    design = _design(pose)
    return np.asarray(design @ pose.covariance @ design.T + noise)


def _along(pose: LivePose, noise: NDArray[np.float64], direction: Vector) -> float:
    return float(direction @ _expected(pose, noise) @ direction)


def _updated(pose: LivePose, missing: Vector, noise: NDArray[np.float64]) -> LivePose:
    """Kalman update by one attitude (Joseph's form: stays symmetric and positive)."""
    design = _design(pose)
    gain = np.linalg.solve(_expected(pose, noise), design @ pose.covariance).T
    kept = np.eye(_SIZE) - gain @ design
    covariance = kept @ pose.covariance @ kept.T + gain @ noise @ gain.T
    return _shifted(pose, gain @ missing, covariance)


def _shifted(
    pose: LivePose, step: NDArray[np.float64], covariance: NDArray[np.float64]
) -> LivePose:
    """Take an error into the estimate."""
    axis = unit(pose.axis_camera + pose.axis_tangents @ step[_AXIS])
    first = pose.axis_tangents[:, 0]
    first = unit(first - axis * (axis @ first))
    return replace(
        pose,
        enu_from_camera=rotation_from_vector(step[_ATTITUDE]) @ pose.enu_from_camera,
        wander=pose.wander + step[_WANDER],
        axis_camera=axis,
        axis_tangents=np.column_stack([first, np.cross(axis, first)]),
        bends=pose.bends + step[_BENDS],
        covariance=covariance,
    )
