"""Targets: where stars must come to be in the picture for the axis to reach its target.

While the bolts turn, every star moves in the picture as the whole mount turns the other way;
tracking keeps them where they are otherwise.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Matrix
from polewright.core.geometry.wahba import camera_vectors
from polewright.core.imaging.attitude import Attitude

MOST_STARS = 12
# With fewer stars the lens's distortion cannot be told from noise.
_FEWEST_FOR_DISTORTION = 12
# A star's weight falls by half where another chosen one is this near (part of the width).
_APART = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class StarTarget:
    """One star: pixel now and pixel where it must come to be (column, row)."""

    x_px: float
    y_px: float
    to_x_px: float
    to_y_px: float


def star_targets(attitude: Attitude, enu_from_camera: Matrix, bolts: Matrix) -> list[StarTarget]:
    """Return up to twelve bright, well-spread stars and where the bolts would take them.

    Parameters
    ----------
    attitude : Attitude
        The solved frame.
    enu_from_camera : ndarray of shape (3, 3)
        The same frame over the ground.
    bolts : ndarray of shape (3, 3)
        Rotation of the whole mount (East-North-Up) that brings the axis to its target.
    """
    chosen = _well_spread(attitude)
    measured = np.asarray(attitude.star_tangent)
    bend = _radial_distortion(attitude)
    now = camera_vectors(measured[chosen], attitude.scale_arcsec_px)
    turned = now @ (enu_from_camera.T @ bolts @ enu_from_camera)
    ahead = turned[:, 0] > 0.1
    scale = attitude.scale_arcsec_px * ARCSEC_RAD
    goal = turned[:, 1:] / np.where(ahead, turned[:, 0], 1.0)[:, None] / scale
    change = _bent(goal, bend) - _bent(measured[chosen], bend)
    change[:, 1] *= -1.0 if attitude.mirrored else 1.0
    places = np.asarray(attitude.star_px)[chosen]
    return [
        StarTarget(
            x_px=float(place[0]),
            y_px=float(place[1]),
            to_x_px=float(place[0] + step[0]),
            to_y_px=float(place[1] + step[1]),
        )
        for place, step, visible in zip(places, change, ahead, strict=True)
        if visible
    ]


def _well_spread(attitude: Attitude) -> NDArray[np.int_]:
    """Choose stars one by one: well measured (bright) and far from those chosen before."""
    places = np.asarray(attitude.star_px, dtype=np.float64)
    worth = 1.0 / np.asarray(attitude.star_sigma_px, dtype=np.float64)
    chosen: list[int] = []
    reach = _APART * attitude.width_px
    weight = worth.copy()
    for _ in range(min(MOST_STARS, len(places))):
        best = int(np.argmax(weight))
        chosen.append(best)
        distance = np.linalg.norm(places - places[best], axis=1)
        weight = weight * (distance**2 / (distance**2 + reach**2))
        weight[chosen] = -1.0
    return np.array(chosen, dtype=np.int_)


def _radial_distortion(attitude: Attitude) -> float:
    """Return the cubic distortion (per px^2) between tangent offsets and pixels, 0 where unknown.

    Offsets of the stars are free of distortion and their pixels are not: one coefficient, with
    the centre's shift, by least squares.
    """
    tangent = np.asarray(attitude.star_tangent, dtype=np.float64)
    if len(tangent) < _FEWEST_FOR_DISTORTION:
        return 0.0
    flip = np.array([1.0, -1.0 if attitude.mirrored else 1.0])
    bent = np.asarray(attitude.star_px) * flip - tangent
    cubic = tangent * np.sum(tangent**2, axis=1)[:, None]
    size = float(np.max(np.abs(cubic)))
    if size == 0.0:
        return 0.0
    ones, zeros = np.ones(len(tangent)), np.zeros(len(tangent))
    design = np.vstack(
        [
            np.column_stack([cubic[:, 0] / size, ones, zeros]),
            np.column_stack([cubic[:, 1] / size, zeros, ones]),
        ]
    )
    solution = np.linalg.lstsq(design, np.concatenate([bent[:, 0], bent[:, 1]]), rcond=None)[0]
    return float(solution[0]) / size


def _bent(tangent: NDArray[np.float64], bend: float) -> NDArray[np.float64]:
    return np.asarray(tangent * (1.0 + bend * np.sum(tangent**2, axis=1)[:, None]))
