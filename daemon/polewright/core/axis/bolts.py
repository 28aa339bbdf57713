"""Bolts: the two rotations by which hands bring the axis to its target.

A bolt turns the whole mount about a vector fixed to what it stands on.  On a level base the
azimuth bolt's vector is the vertical and the altitude bolt's is horizontal, across the axis; a
tilted base turns both, and then an azimuth turn also lifts the axis.  Signs: a positive azimuth
turn increases the azimuth, a positive altitude turn raises the axis (docs: signs and frames).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import UP_ENU, angle_between, cross, sky_tangents, unit
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    rotation_about,
    vector_from_rotation,
)

_MOST_STEPS = 50
_CONVERGED_RAD = 1e-13
# Farther than this in one step the linear picture is a guess.
_LONGEST_STEP_RAD = np.deg2rad(20.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bolts:
    """Unit rotation vectors (East-North-Up) of the two bolts, for the axis where it is now."""

    azimuth_enu: Vector
    altitude_enu: Vector


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltTurns:
    """How far the mount turns about each bolt's vector (rad, right-handed).

    ``azimuth_rad``: positive increases the azimuth; ``altitude_rad``: positive raises the axis.
    """

    azimuth_rad: float
    altitude_rad: float


@dataclass(frozen=True, slots=True, eq=False)
class MountTriad:
    """Right-handed horizontal frame of an axis: to its right, forward along it, up."""

    right: Vector
    forward: Vector

    @classmethod
    def of(cls, axis_enu: Vector) -> "MountTriad":
        """Return the triad of an axis."""
        right, _ = sky_tangents(axis_enu)
        return cls(right, cross(UP_ENU, right))


def level_bolts(axis_enu: Vector) -> Bolts:
    """Return the bolts of a mount on a level base."""
    return Bolts(azimuth_enu=-UP_ENU, altitude_enu=MountTriad.of(axis_enu).right)


def rotation_of(bolts: Bolts, turns: BoltTurns) -> Matrix:
    """Return the rotation of the whole mount that the turns make.

    The altitude bolt rides on the azimuth bolt, so the order in which the hands turn them does
    not matter: seen from where they start it is always altitude first, azimuth after.
    """
    return np.asarray(
        rotation_about(bolts.azimuth_enu, turns.azimuth_rad)
        @ rotation_about(bolts.altitude_enu, turns.altitude_rad)
    )


def turns_between(bolts: Bolts, axis_enu: Vector, target_enu: Vector) -> BoltTurns:
    """Return the turns that bring the axis to the target: exact, not small-angle.

    Where no pair of turns reaches it (the bolts cannot point there) the nearest is returned.
    """
    turns = np.zeros(2)
    goal = np.stack(sky_tangents(target_enu))
    for _ in range(_MOST_STEPS):
        lifted = rotation_about(bolts.altitude_enu, turns[1]) @ axis_enu
        around = rotation_about(bolts.azimuth_enu, turns[0])
        moved = around @ lifted
        missing = goal @ (target_enu - moved)
        if angle_between(moved, target_enu) < _CONVERGED_RAD:
            break
        effect = goal @ np.column_stack(
            [cross(bolts.azimuth_enu, moved), around @ cross(bolts.altitude_enu, lifted)]
        )
        step = np.linalg.lstsq(effect, missing, rcond=1e-9)[0]
        length = float(np.linalg.norm(step))
        turns += step * min(1.0, _LONGEST_STEP_RAD / max(length, 1e-300))
        if length < 0.01 * _CONVERGED_RAD:
            break
    return BoltTurns(azimuth_rad=float(turns[0]), altitude_rad=float(turns[1]))


def split_rotation(bolts: Bolts, rotation: Matrix, third: Vector) -> tuple[BoltTurns, float]:
    """Return what a rotation is made of: turns of the bolts after a turn about a third vector.

    ``rotation == rotation_of(bolts, turns) @ rotation_about(third, rest)``; the third vector
    must not lie in the plane of the bolts' vectors.
    """
    parts = np.zeros(3)
    for _ in range(_MOST_STEPS):
        turns = BoltTurns(azimuth_rad=float(parts[0]), altitude_rad=float(parts[1]))
        made = rotation_of(bolts, turns) @ rotation_about(third, float(parts[2]))
        missing = vector_from_rotation(rotation @ made.T)
        around = rotation_about(bolts.azimuth_enu, turns.azimuth_rad)
        effect = np.column_stack(
            [
                bolts.azimuth_enu,
                around @ bolts.altitude_enu,
                rotation_of(bolts, turns) @ third,
            ]
        )
        step = np.asarray(np.linalg.solve(effect, missing))
        parts = parts + step
        if float(np.max(np.abs(step))) < _CONVERGED_RAD:
            break
    return BoltTurns(azimuth_rad=float(parts[0]), altitude_rad=float(parts[1])), float(parts[2])


def bent_bolts(axis_enu: Vector, bends: NDArray[np.float64]) -> Bolts:
    """Return bolts bent away from the level ones.

    Parameters
    ----------
    axis_enu : ndarray of shape (3,)
        Where the axis is.
    bends : ndarray of shape (4,)
        Of the azimuth bolt: to the right, forward; of the altitude bolt: forward, up (rad).
    """
    triad = MountTriad.of(axis_enu)
    return Bolts(
        azimuth_enu=unit(-UP_ENU + bends[0] * triad.right + bends[1] * triad.forward),
        altitude_enu=unit(triad.right + bends[2] * triad.forward + bends[3] * UP_ENU),
    )
