"""Rotations: the exponential and logarithm maps between rotation vectors and matrices."""

import math

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]
Array = NDArray[np.float64]

_NEAR_ZERO_RAD = 1e-8
_NEAR_HALF_TURN_RAD = 1e-6


def cross_matrix(vector: Vector) -> Matrix:
    """Return the matrix K with ``K @ x == cross(vector, x)``, shape (3, 3)."""
    x, y, z = (float(component) for component in vector)
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def rotation_from_vector(vector: Vector) -> Matrix:
    """Return the rotation about ``vector`` by its length, right-handed (Rodrigues).

    Parameters
    ----------
    vector : ndarray of shape (3,)
        Rotation vector (rad).
    """
    # Written out in scalars: called thousands of times a second by the live filter.
    x, y, z = vector.tolist()
    angle_rad = math.sqrt(x * x + y * y + z * z)
    if angle_rad < _NEAR_ZERO_RAD:
        sine, versine = 1.0, 0.5
    else:
        sine = math.sin(angle_rad) / angle_rad
        versine = 2.0 * math.sin(0.5 * angle_rad) ** 2 / angle_rad**2
    xy, yz, zx = versine * x * y, versine * y * z, versine * z * x
    return np.array(
        [
            [1.0 - versine * (y * y + z * z), xy - sine * z, zx + sine * y],
            [xy + sine * z, 1.0 - versine * (z * z + x * x), yz - sine * x],
            [zx - sine * y, yz + sine * x, 1.0 - versine * (x * x + y * y)],
        ]
    )


def rotations_from_vectors(vectors: Array) -> Array:
    """Return the rotations about many vectors by their lengths: :func:`rotation_from_vector`.

    Parameters
    ----------
    vectors : ndarray of shape (n, 3)
        Rotation vectors (rad).

    Returns
    -------
    ndarray of shape (n, 3, 3)
    """
    angles_rad = np.sqrt(np.einsum("ni,ni->n", vectors, vectors))
    near_zero = angles_rad < _NEAR_ZERO_RAD
    some = np.where(near_zero, 1.0, angles_rad)
    sine = np.where(near_zero, 1.0, np.sin(some) / some)
    versine = np.where(near_zero, 0.5, 2.0 * np.sin(0.5 * some) ** 2 / some**2)
    turned = np.zeros((len(vectors), 3, 3))
    turned[:, (2, 0, 1), (1, 2, 0)] = vectors
    turned[:, (1, 2, 0), (2, 0, 1)] = -vectors
    return np.asarray(
        np.eye(3) + sine[:, None, None] * turned + versine[:, None, None] * (turned @ turned)
    )


def rotation_about(axis: Vector, angle_rad: float) -> Matrix:
    """Return the right-handed rotation about a unit vector by an angle (rad)."""
    return rotation_from_vector(np.asarray(axis) * angle_rad)


def vector_from_rotation(rotation: Matrix) -> Vector:
    """Return the rotation vector of a rotation matrix, length in 0 to pi (rad).

    Stable at small angles and up to the half turn, where the sign of the axis is arbitrary.
    """
    skew = np.array(
        [
            rotation[2, 1] - rotation[1, 2],
            rotation[0, 2] - rotation[2, 0],
            rotation[1, 0] - rotation[0, 1],
        ]
    )
    double_sine = math.sqrt(float(skew @ skew))
    trace = float(rotation[0, 0] + rotation[1, 1] + rotation[2, 2])
    angle_rad = math.atan2(double_sine, trace - 1.0)
    if double_sine > _NEAR_HALF_TURN_RAD:
        return np.asarray(skew * (angle_rad / double_sine))
    if angle_rad < 1.0:
        return 0.5 * skew
    # Half a turn: R + I = 2 a a^T.
    outer = 0.5 * (rotation + np.eye(3))
    column = outer[:, int(np.argmax(np.diag(outer)))]
    axis = column / np.linalg.norm(column)
    if float(axis @ skew) < 0.0:
        axis = -axis
    return np.asarray(axis * angle_rad)


def vectors_from_rotations(rotations: Array) -> Array:
    """Return the rotation vectors of many rotations: :func:`vector_from_rotation`.

    Parameters
    ----------
    rotations : ndarray of shape (n, 3, 3)

    Returns
    -------
    ndarray of shape (n, 3)
        Their lengths are in 0 to pi (rad).
    """
    skew = rotations[:, (2, 0, 1), (1, 2, 0)] - rotations[:, (1, 2, 0), (2, 0, 1)]
    double_sine = np.sqrt(np.einsum("ni,ni->n", skew, skew))
    angle_rad = np.arctan2(double_sine, np.trace(rotations, axis1=1, axis2=2) - 1.0)
    sure = double_sine > _NEAR_HALF_TURN_RAD
    vectors = skew * np.where(sure, angle_rad / np.where(sure, double_sine, 1.0), 0.5)[:, None]
    for index in np.flatnonzero(~sure & (angle_rad >= 1.0)):
        vectors[index] = vector_from_rotation(rotations[index])
    return np.asarray(vectors)


def nearest_rotation(matrix: Matrix) -> Matrix:
    """Return the proper rotation nearest to a matrix (singular value decomposition)."""
    left, _, right = np.linalg.svd(matrix)
    handedness = np.diag([1.0, 1.0, float(np.linalg.det(left @ right))])
    return np.asarray(left @ handedness @ right)
