"""Go-to error: how far from its target a telescope ends, over the sky, by what is known of it.

Of one direction it is two numbers across it; over many it is told as the root mean square of its
length, the mount's own repeatability included.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.pointing_mechanics import PointingTerms, pointed
from polewright.core.axis.pointing_model import PointingFit
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Matrix, Vector
from polewright.core.sky.place import Place

_STEP_RAD = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SkyPoint:
    """One direction that a mount may be sent to.

    Attributes
    ----------
    hour_angle_rad, declination_rad : float
        Of date, without the air: what a perfect mount shows there.
    beyond_the_pole : bool
        On which side of the pier it is pointed to.
    direction_enu : ndarray of shape (3,)
        Observed direction, the air in (East-North-Up).
    """

    hour_angle_rad: float
    declination_rad: float
    beyond_the_pole: bool
    direction_enu: Vector

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "direction_enu", settled(self.direction_enu))


def sensitivity(terms: PointingTerms, points: Sequence[SkyPoint], place: Place) -> Matrix:
    """Return the mean over the points of how the pointing follows the terms (6 x 6).

    The trace of its product with a covariance of the terms is the mean square of the go-to error.
    """
    hours, declinations, beyond = _readings(points)
    base, steps = terms.array(), _STEP_RAD * np.eye(6)
    columns = [
        pointed(base + step, hours, declinations, beyond, place)
        - pointed(base - step, hours, declinations, beyond, place)
        for step in steps
    ]
    jacobian = np.stack(columns, axis=-1) / (2.0 * _STEP_RAD)
    return np.asarray(np.einsum("nij,nik->jk", jacobian, jacobian) / len(points))


def modelled_goto_rad(covariance_rad2: Matrix, sky: Matrix, repeatability_rad: float) -> float:
    """Return the expected go-to error through the model (rms over the sky, rad).

    Parameters
    ----------
    covariance_rad2 : ndarray of shape (6, 6)
        Of the terms.
    sky : ndarray of shape (6, 6)
        As :func:`sensitivity` gives it.
    repeatability_rad : float
        Of the mount, each component (rad).
    """
    return math.sqrt(float(np.trace(sky @ covariance_rad2)) + 2.0 * repeatability_rad**2)


def own_goto_rad(fit: PointingFit, points: Sequence[SkyPoint], repeatability_rad: float) -> float:
    """Return the expected error of go-tos by the mount's own coordinates (rms over the sky, rad).

    The mount goes to what it shows, and knows of no air and of no term.
    """
    hours, declinations, beyond = _readings(points)
    there = pointed(fit.terms.array(), hours, declinations, beyond, fit.place)
    off = [
        angle_between(ended, point.direction_enu)
        for ended, point in zip(there, points, strict=True)
    ]
    sky = sensitivity(fit.terms, points, fit.place)
    known = modelled_goto_rad(fit.covariance_rad2, sky, repeatability_rad)
    return math.hypot(math.sqrt(float(np.mean(np.square(off)))), known)


def spread_over_sphere(count: int) -> NDArray[np.float64]:
    """Return directions of equal shares of the sphere (n x 3): a Fibonacci lattice.

    Source: common practice (golden-angle spiral), no source.
    """
    index = np.arange(count) + 0.5
    height = 1.0 - 2.0 * index / count
    turn = index * math.pi * (3.0 - math.sqrt(5.0))
    radius = np.sqrt(1.0 - height**2)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])


def _readings(
    points: Sequence[SkyPoint],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    return (
        np.array([point.hour_angle_rad for point in points]),
        np.array([point.declination_rad for point in points]),
        np.array([point.beyond_the_pole for point in points], dtype=bool),
    )
