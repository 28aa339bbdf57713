"""Live pose: what is known of camera, axis and bolts at one instant of an adjustment, together.

State of an extended Kalman filter: the camera's attitude ``E`` (ground from camera), how far the
mechanics wander from it (``w``, constant while nothing moves), the axis ``u`` in the camera's own
frame, and how far the bolts' vectors are bent from the level ones.  The axis is ``E u`` always.

Errors are linearised about the newest frame: attitude and bolts in East-North-Up (left rotation
vectors), wander in the camera's frame (right), the axis across itself in the camera's frame.
"""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.bolts import Bolts, BoltTurns, MountTriad, bent_bolts, rotation_of
from polewright.core.axis.live_model import (
    Interval,
    LiveModel,
    sidereal_turn_rad,
    steepness,
)
from polewright.core.geometry.directions import ARCSEC_RAD, UP_ENU, cross, sky_tangents, unit
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    cross_matrix,
    rotation_about,
    rotation_from_vector,
)

# The bolts' own turns are unknown beforehand: this much and twice what was seen (rad).
_BOLTS_FREE_RAD = 0.02
# Turned this far in right ascension the mechanics settle anew.
_SETTLES_ANEW_RAD = np.deg2rad(1.0)

ATTITUDE = slice(0, 3)
WANDER = slice(3, 6)
AXIS = slice(6, 8)
BENDS = slice(8, 12)
SIZE = 12


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
        return np.asarray(design @ self.covariance[ATTITUDE, ATTITUDE] @ design.T)

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
        steep = steepness(self.axis_enu)
        right, forward_azimuth, forward_altitude, up = (float(bend) for bend in self.bends)
        return right / (1.0 + steep * forward_azimuth), steep * forward_altitude - up

    def _axis_by_attitude(self) -> NDArray[np.float64]:
        axis = self.axis_enu
        return np.asarray(-np.stack(sky_tangents(axis)) @ cross_matrix(axis))

    def _axis_by_axis(self) -> NDArray[np.float64]:
        tangents = np.stack(sky_tangents(self.axis_enu))
        return np.asarray(tangents @ self.enu_from_camera @ self.axis_tangents)


def carried_to(pose: LivePose, interval: Interval, instant: datetime) -> LivePose:
    """Turn in right ascension as the mount does."""
    angle = (
        0.0 if interval.tracking is False else sidereal_turn_rad(pose.axis_enu, interval.duration_s)
    )
    turn = rotation_about(pose.axis_enu, angle)
    flow = np.eye(SIZE)
    flow[ATTITUDE, AXIS] = (
        (np.eye(3) - turn) @ cross_matrix(pose.axis_enu) @ pose.enu_from_camera @ pose.axis_tangents
    )
    return replace(
        pose,
        enu_from_camera=turn @ pose.enu_from_camera,
        covariance=flow @ pose.covariance @ flow.T,
        instant=instant,
    )


def turned_by(pose: LivePose, bolts: Bolts, turns: BoltTurns, model: LiveModel) -> LivePose:
    """Turn the bolts by about so much; how much exactly is free, and the mechanics settle anew."""
    turn = rotation_of(bolts, turns)
    triad = MountTriad.of(pose.axis_enu)
    azimuth, altitude = turns.azimuth_rad, turns.altitude_rad
    flow = np.eye(SIZE)
    flow[ATTITUDE, ATTITUDE] = turn
    flow[ATTITUDE, BENDS] = np.column_stack(
        [
            azimuth * triad.right,
            azimuth * triad.forward,
            altitude * triad.forward,
            altitude * UP_ENU,
        ]
    )
    flow[WANDER, WANDER] = 0.0
    covariance = flow @ pose.covariance @ flow.T
    floor_rad2 = (model.mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    covariance[WANDER, WANDER] = np.eye(3) * floor_rad2
    after = turn @ pose.axis_enu
    riding = rotation_about(bolts.azimuth_enu, azimuth) @ bolts.altitude_enu
    for vector, amount in ((bolts.azimuth_enu, azimuth), (riding, altitude)):
        free_rad = max(_BOLTS_FREE_RAD, 2.0 * abs(amount))
        covariance[ATTITUDE, ATTITUDE] += free_rad**2 * np.outer(vector, vector)
    play_rad = model.play_fraction * float(np.hypot(azimuth, altitude))
    forward = MountTriad.of(after).forward
    covariance[ATTITUDE, ATTITUDE] += play_rad**2 * np.outer(forward, forward)
    return replace(
        pose,
        enu_from_camera=turn @ pose.enu_from_camera,
        wander=np.zeros(3),
        covariance=covariance,
    )


def nudged(pose: LivePose, angle_rad: float, model: LiveModel) -> LivePose:
    """Turn in right ascension by about so much; how much exactly is free."""
    axis = pose.axis_enu
    covariance = pose.covariance.copy()
    free_rad = max(_BOLTS_FREE_RAD, 2.0 * abs(angle_rad))
    covariance[ATTITUDE, ATTITUDE] += free_rad**2 * np.outer(axis, axis)
    wander = pose.wander
    if abs(angle_rad) > _SETTLES_ANEW_RAD:
        wander = np.zeros(3)
        covariance[WANDER, :] = covariance[:, WANDER] = 0.0
        covariance[WANDER, WANDER] = np.eye(3) * (model.mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    return replace(
        pose,
        wander=wander,
        enu_from_camera=rotation_about(axis, angle_rad) @ pose.enu_from_camera,
        covariance=covariance,
    )


def seen(pose: LivePose) -> Matrix:
    """Return the attitude that frames show, wander included."""
    return pose.enu_from_camera @ rotation_from_vector(pose.wander)


def seen_design(pose: LivePose) -> NDArray[np.float64]:
    """Return how that depends on the state's errors, shape (3, n)."""
    design = np.zeros((3, SIZE))
    design[:, ATTITUDE] = np.eye(3)
    design[:, WANDER] = pose.enu_from_camera
    return design


def expected(pose: LivePose, noise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the covariance of a frame's attitude about the seen one (rad^2)."""
    design = seen_design(pose)
    return np.asarray(design @ pose.covariance @ design.T + noise)


def updated(pose: LivePose, missing: Vector, noise: NDArray[np.float64]) -> LivePose:
    """Kalman update by one attitude (Joseph's form: stays symmetric and positive)."""
    design = seen_design(pose)
    gain = np.linalg.solve(expected(pose, noise), design @ pose.covariance).T
    kept = np.eye(SIZE) - gain @ design
    covariance = kept @ pose.covariance @ kept.T + gain @ noise @ gain.T
    return shifted(pose, gain @ missing, covariance)


def shifted(pose: LivePose, step: NDArray[np.float64], covariance: NDArray[np.float64]) -> LivePose:
    """Take an error into the estimate."""
    axis = unit(pose.axis_camera + pose.axis_tangents @ step[AXIS])
    first = pose.axis_tangents[:, 0]
    first = unit(first - axis * (axis @ first))
    return replace(
        pose,
        enu_from_camera=rotation_from_vector(step[ATTITUDE]) @ pose.enu_from_camera,
        wander=pose.wander + step[WANDER],
        axis_camera=axis,
        axis_tangents=np.column_stack([first, cross(axis, first)]),
        bends=pose.bends + step[BENDS],
        covariance=covariance,
    )
