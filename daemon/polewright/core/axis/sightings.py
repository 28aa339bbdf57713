"""Sightings: where a mount said that it points and where it did, and what is known beforehand."""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.pointing_mechanics import PointingTerms, across_axis, axis_terms
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import cross, unit
from polewright.core.geometry.rotations import Matrix, Vector
from polewright.core.sky.place import Place

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointingPrior:
    """What is known before anything is observed: mean and covariance of the terms (rad, rad^2)."""

    mean: PointingTerms
    covariance_rad2: Matrix

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "covariance_rad2", settled(self.covariance_rad2))

    @classmethod
    def independent(cls, sigma: PointingTerms, mean: PointingTerms | None = None) -> Self:
        """Return a prior of independent terms, given their standard deviations."""
        return cls(mean=mean or PointingTerms(), covariance_rad2=np.diag(np.square(sigma.array())))

    def with_axis(self, axis_enu: Vector, covariance_rad2: Array, place: Place) -> "PointingPrior":
        """Return it with the axis known from elsewhere (elevated end; across it, rad^2)."""
        terms = self.mean.array()
        terms[:2] = axis_terms(axis_enu, place)
        across = np.linalg.inv(across_axis(terms[:2], place))
        covariance = np.array(self.covariance_rad2)
        covariance[:2, :] = covariance[:, :2] = 0.0
        covariance[:2, :2] = across @ covariance_rad2 @ across.T
        return PointingPrior(mean=PointingTerms.of(terms), covariance_rad2=covariance)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """One observation: where the mount said that it points, and where the telescope did point.

    Attributes
    ----------
    hour_angle_rad, declination_rad : float
        What the mount showed (of date, without refraction of its own; west positive).
    beyond_the_pole : bool
        Whether the declination axis has gone over the pole: the other side of the pier.
    direction_enu : ndarray of shape (3,)
        Observed direction of what stood on the optical axis (East-North-Up).
    sigma_rad : float
        Of each component: centroid, series and repeatability of the mount together.
    label : str
        What a person calls it.
    """

    hour_angle_rad: float
    declination_rad: float
    beyond_the_pole: bool
    direction_enu: Vector
    sigma_rad: float
    label: str = ""

    def __post_init__(self) -> None:
        """Freeze the array; refuse what would count as certain."""
        if not self.sigma_rad > 0.0:
            raise ValueError("a sighting needs a sigma above 0")
        object.__setattr__(self, "direction_enu", settled(self.direction_enu))


def optical_axis_enu(
    body_enu: Vector, west_rad: float, north_rad: float, north_end_enu: Vector
) -> Vector:
    """Return where the telescope points when a body stands off the middle of the picture.

    Parameters
    ----------
    body_enu : ndarray of shape (3,)
        Observed direction of the body (East-North-Up).
    west_rad, north_rad : float
        Where its centre stands in the picture, from the middle: along the mount's right ascension
        (west) and declination (north) on the sky (rad).
    north_end_enu : ndarray of shape (3,)
        North end of the axis, roughly: a degree of it turns an offset of 10 arcmin by 10 arcsec.
    """
    west = unit(cross(body_enu, north_end_enu))
    north = cross(west, body_enu)
    return unit(body_enu - math.tan(west_rad) * west - math.tan(north_rad) * north)
