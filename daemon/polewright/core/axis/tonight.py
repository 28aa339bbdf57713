"""Tonight's pole: where the axis should point for tonight's targets over the night's window.

The air lifts a target by an amount that changes along its path, so neither the true nor the
refracted pole follows it best.  The observed field, taken into the frame that turns about the
true pole, moves by a small rotation ``eta(t)``; the axis (and the rate) that undo most of it are
a linear least-squares problem (own derivation, docs: how it works).  Several targets are one
problem, each with the samples at which it is up.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    altaz_from_enu,
    sky_tangents,
    unit,
)
from polewright.core.geometry.rotations import (
    Vector,
    cross_matrix,
    rotation_about,
    rotation_from_vector,
    vector_from_rotation,
)
from polewright.core.sky.observed import ObservingMoment, pole_enu
from polewright.core.sky.place import Place

_SAMPLES = 25
# Nobody tilts an axis farther than this for a few arcseconds of drift; keeps the fit tame where
# the path says nothing about one direction.
_PRIOR_RAD = 5.0 * ARCMIN_RAD
# The patch of sky around the target whose attitude is followed (rad).
_PATCH_RAD = math.radians(0.5)
_LOWEST_ALTITUDE_DEG = 5.0
# A path of fewer points (of 25 in the window) says nothing of a direction.
_FEWEST_SAMPLES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class TonightsPole:
    """The best axis for a window, and the unguided drift (rad, rms) that each choice leaves.

    ``axis_enu`` is the elevated end.  ``rate_ppm`` is the change of the tracking rate that would
    help beside it (parts per million); drifts with ``_rate`` have it applied.
    """

    axis_enu: Vector
    rate_ppm: float
    drift_true_rad: float
    drift_refracted_rad: float
    drift_best_rad: float
    drift_best_with_rate_rad: float


def tonights_pole(
    place: Place, targets_icrs: Vector, start: datetime, end: datetime
) -> TonightsPole:
    """Return the axis that the targets' paths ask for.

    Parameters
    ----------
    place : Place
        Where.
    targets_icrs : ndarray of shape (3,) or (n, 3)
        Directions of the targets.
    start, end : datetime
        The window (aware).

    Raises
    ------
    UsageError
        The window is empty or over 14 h, or a target is hardly up in it.
    """
    duration_s = (end - start).total_seconds()
    if not 60.0 <= duration_s <= 14.0 * 3600.0:
        raise UsageError(
            "the window is shorter than a minute or longer than 14 hours",
            remedy="Give the start and the end of tonight's imaging.",
            code="bad_window",
        )
    seconds = np.linspace(0.0, duration_s, _SAMPLES)
    moments = [ObservingMoment.at(place, start + timedelta(seconds=float(s))) for s in seconds]
    true_pole = pole_enu(place, refracted=False)
    # The sky turns from east to west: left-handed about the north pole.
    sense = 1.0 if place.south else -1.0
    angles = sense * SIDEREAL_RATE_RAD_S * seconds
    paths = [_path(moments, angles, true_pole, target) for target in np.atleast_2d(targets_icrs)]
    both = _fit(paths, true_pole, with_rate=True)
    alone = _fit(paths, true_pole, with_rate=False)
    east, up = sky_tangents(true_pole)

    def left(axis_turn: Vector, rate: float) -> float:
        motions = [
            path.motion(_followed(axis_turn, rate, path.angles, true_pole)) for path in paths
        ]
        return float(np.sqrt(np.mean(np.sum(np.concatenate(motions) ** 2, axis=1))))

    refracted = pole_enu(place, refracted=True)
    return TonightsPole(
        axis_enu=unit(rotation_from_vector(alone[0] * east + alone[1] * up) @ true_pole),
        rate_ppm=1e6 * float(both[2]),
        drift_true_rad=left(np.zeros(3), 0.0),
        drift_refracted_rad=left(np.cross(true_pole, refracted), 0.0),
        drift_best_rad=left(alone[0] * east + alone[1] * up, 0.0),
        drift_best_with_rate_rad=left(both[0] * east + both[1] * up, float(both[2])),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Path:
    """How one target's field moves in the frame that turns about the true pole.

    ``angles``: turn of the sky at each sample (rad); ``drifts``: the field's rotation since the
    first one (n x 3, rad); ``boresight``: where it is, in that frame.
    """

    angles: NDArray[np.float64]
    drifts: NDArray[np.float64]
    boresight: Vector

    def motion(self, followed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the motion of the field's centre that is left when a rotation is followed."""
        left = self.drifts - followed
        return np.asarray((left - left.mean(axis=0)) @ _across(self.boresight).T)


def _path(
    moments: Sequence[ObservingMoment],
    angles: NDArray[np.float64],
    true_pole: Vector,
    target_icrs: Vector,
) -> _Path:
    patch = _patch(target_icrs)
    turned, fields = [], []
    for moment, angle in zip(moments, angles, strict=True):
        enu = moment.enu_from_icrs(patch)
        if math.degrees(altaz_from_enu(enu[0])[0]) >= _LOWEST_ALTITUDE_DEG:
            turned.append(float(angle))
            fields.append(_frame(rotation_about(true_pole, -float(angle)) @ enu.T))
    if len(fields) < _FEWEST_SAMPLES:
        raise UsageError(
            "a target is not up in the window, or hardly",
            remedy="Choose a window in which it stands above 5 deg, or leave it out.",
            code="target_low",
        )
    drifts = np.stack([vector_from_rotation(field @ fields[0].T) for field in fields])
    return _Path(angles=np.array(turned), drifts=drifts, boresight=fields[0][:, 0])


def _patch(target_icrs: Vector) -> NDArray[np.float64]:
    """Return the target and four directions around it."""
    east = np.cross([0.0, 0.0, 1.0], target_icrs)
    east = unit(east) if np.linalg.norm(east) > 1e-9 else np.array([1.0, 0.0, 0.0])
    north = np.cross(target_icrs, east)
    around = [target_icrs + _PATCH_RAD * way for way in (east, north, -east, -north)]
    return np.stack([unit(direction) for direction in [target_icrs, *around]])


def _frame(directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the attitude (columns: boresight, east, north) of a patch of directions (3, 5)."""
    boresight = unit(directions[:, 0])
    along = directions[:, 1] - directions[:, 3]
    other = np.cross(boresight, along) + (directions[:, 2] - directions[:, 4])
    north = unit(other - boresight * (other @ boresight))
    return np.column_stack([boresight, np.cross(north, boresight), north])


def _followed(
    axis_turn: Vector, rate: float, angles: NDArray[np.float64], axis: Vector
) -> NDArray[np.float64]:
    """Return the rotation of the field that a moved axis and a changed rate follow."""
    rows = [
        (rotation_about(axis, -float(angle)) - np.eye(3)) @ axis_turn + rate * angle * axis
        for angle in angles
    ]
    return np.stack(rows)


def _fit(paths: Sequence[_Path], axis: Vector, *, with_rate: bool) -> NDArray[np.float64]:
    """Return the axis turn along the two tangents and the rate (0 where it is not asked)."""
    ways = [(way, 0.0) for way in sky_tangents(axis)]
    if with_rate:
        ways.append((np.zeros(3), 1.0))
    designs = []
    for path in paths:
        columns = [_followed(turn, rate, path.angles, axis) for turn, rate in ways]
        across = _across(path.boresight)
        centred = [(column - column.mean(axis=0)) @ across.T for column in columns]
        designs.append(np.stack([column.ravel() for column in centred], axis=1))
    data = np.concatenate([path.motion(np.zeros_like(path.drifts)).ravel() for path in paths])
    noise = max(float(np.std(data)), 1e-9)
    prior = np.diag([noise / _PRIOR_RAD, noise / _PRIOR_RAD, *([0.0] if with_rate else [])])
    solution, *_ = np.linalg.lstsq(
        np.vstack([*designs, prior]), np.concatenate([data, np.zeros(len(prior))]), rcond=None
    )
    return np.array([*solution, *([] if with_rate else [0.0])])


def _across(boresight: Vector) -> NDArray[np.float64]:
    """Return the matrix that takes a rotation vector to the motion of the field's centre."""
    return np.asarray(-cross_matrix(boresight))
