"""Mechanics of an equatorial mount: where the telescope points when its axes show something.

Exact at any size: the mount's readings turn a telescope that is off by its cone (CH) about a
declination axis that is off the square (NP), both from zero points that are off (IH, ID), about a
polar axis that is off the pole.  Letters as in the open literature (P. T. Wallace).  In the frame
X = upper meridian, Y = east, Z = pole::

    v = exp(-xE, xU, 0) Rz(-(h + IH)) Rx(NP) Ry(-(d + ID)) (cos CH, sin CH, 0)

On the other side of the pier ``h`` is half a turn more and ``d`` is taken over the pole.
"""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import sky_tangents
from polewright.core.geometry.rotations import Matrix, Vector, rotation_from_vector
from polewright.core.sky.place import Place

Array = NDArray[np.float64]

_STEP_RAD = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PointingTerms:
    """What a mount and its telescope are off by (rad).

    Attributes
    ----------
    axis_east_rad, axis_up_rad : float
        How far the *north* end of the axis is turned from the north celestial pole: toward the
        east, toward the upper meridian (in the north: up).
    index_hour_rad, index_declination_rad : float
        Zero points (IH, ID): true less shown.
    cone_rad : float
        Cone (CH): the telescope against the square on the declination axis.
    non_perpendicularity_rad : float
        The declination axis against the square on the polar axis (NP).
    """

    axis_east_rad: float = 0.0
    axis_up_rad: float = 0.0
    index_hour_rad: float = 0.0
    index_declination_rad: float = 0.0
    cone_rad: float = 0.0
    non_perpendicularity_rad: float = 0.0

    def array(self) -> Array:
        """Return them in order."""
        return np.array([getattr(self, field.name) for field in fields(self)])

    @classmethod
    def of(cls, array: Array) -> Self:
        """Return the terms of an array in order."""
        names = (field.name for field in fields(cls))
        return cls(**{name: float(value) for name, value in zip(names, array, strict=True)})


def polar_frame(place: Place) -> Matrix:
    """Return the rotation from upper meridian - east - pole to East-North-Up."""
    sine, cosine = np.sin(place.latitude_rad), np.cos(place.latitude_rad)
    return np.array([[0.0, 1.0, 0.0], [-sine, 0.0, cosine], [cosine, 0.0, sine]])


def pointed(
    terms: Array, hour_angle: Array, declination: Array, beyond: NDArray[np.bool_], place: Place
) -> Array:
    """Return where the telescope points (East-North-Up), n x 3."""
    east, up, index_hour, index_declination, cone, square = (float(term) for term in terms)
    hour = np.where(beyond, hour_angle + np.pi, hour_angle) + index_hour
    dec = np.where(beyond, np.pi - declination, declination) + index_declination
    x = np.cos(dec) * np.cos(cone)
    z = np.sin(dec) * np.cos(cone)
    y = np.sin(cone) * np.cos(square) - z * np.sin(square)
    z = np.sin(cone) * np.sin(square) + z * np.cos(square)
    turned = np.column_stack(
        [np.cos(hour) * x + np.sin(hour) * y, np.cos(hour) * y - np.sin(hour) * x, z]
    )
    ground = polar_frame(place) @ rotation_from_vector(np.array([-east, up, 0.0]))
    return np.asarray(turned @ ground.T)


def axis_of(terms: Array, place: Place) -> Vector:
    """Return the elevated end of the axis."""
    tilt = rotation_from_vector(np.array([-terms[0], terms[1], 0.0]))
    north_end = polar_frame(place) @ tilt[:, 2]
    return np.asarray(-north_end if place.south else north_end)


def axis_terms(axis_enu: Vector, place: Place) -> Array:
    """Return the two axis terms of an elevated end: the inverse of the above."""
    north_end = polar_frame(place).T @ (-axis_enu if place.south else axis_enu)
    away = float(np.hypot(north_end[0], north_end[1]))
    angle = float(np.arctan2(away, north_end[2]))
    ratio = angle / away if away > 1e-12 else 1.0
    return np.array([north_end[1] * ratio, north_end[0] * ratio])


def across_axis(terms: Array, place: Place) -> Matrix:
    """Return the derivative of the elevated end, along its sky tangents, by the axis terms."""
    tangents = np.stack(sky_tangents(axis_of(terms, place)))
    columns = [
        tangents @ (axis_of(terms[:2] + step, place) - axis_of(terms[:2] - step, place))
        for step in _STEP_RAD * np.eye(2)
    ]
    return np.column_stack(columns) / (2.0 * _STEP_RAD)
