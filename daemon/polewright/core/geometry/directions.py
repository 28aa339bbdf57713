"""Directions: unit vectors, the horizon's coordinates and the angles between them.

The ground frame is East, North, Up.  Azimuth runs from true north through east, altitude from
the horizon.
"""

import math

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.rotations import Vector

ARCSEC_RAD = math.pi / 648000.0
ARCMIN_RAD = math.pi / 10800.0
UP_ENU: Vector = np.array([0.0, 0.0, 1.0])
UP_ENU.setflags(write=False)


def enu_from_altaz(altitude_rad: float, azimuth_rad: float) -> Vector:
    """Return the East-North-Up unit vector of an altitude and azimuth (rad)."""
    return np.array(
        [
            math.cos(altitude_rad) * math.sin(azimuth_rad),
            math.cos(altitude_rad) * math.cos(azimuth_rad),
            math.sin(altitude_rad),
        ]
    )


def altaz_from_enu(direction_enu: Vector) -> tuple[float, float]:
    """Return altitude and azimuth (rad, azimuth 0 to 2 pi) of a direction."""
    east, north, up = (float(component) for component in direction_enu)
    return math.atan2(up, math.hypot(east, north)), math.atan2(east, north) % (2.0 * math.pi)


def unit(vector: Vector) -> Vector:
    """Return the vector scaled to unit length."""
    return np.asarray(vector / math.sqrt(float(np.dot(vector, vector))))


def cross(first: Vector, second: Vector) -> Vector:
    """Return the cross product of two single vectors."""
    # Written out: numpy's own takes ten times as long for two vectors.
    ax, ay, az = first.tolist()
    bx, by, bz = second.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def vector_from_spherical(longitude_rad: float, latitude_rad: float) -> Vector:
    """Return the unit vector of a right ascension and declination, or the like (rad)."""
    return np.array(
        [
            math.cos(latitude_rad) * math.cos(longitude_rad),
            math.cos(latitude_rad) * math.sin(longitude_rad),
            math.sin(latitude_rad),
        ]
    )


def spherical_from_vector(vector: Vector) -> tuple[float, float]:
    """Return longitude (0 to 2 pi) and latitude of a vector (rad)."""
    x, y, z = (float(component) for component in vector)
    return math.atan2(y, x) % (2.0 * math.pi), math.atan2(z, math.hypot(x, y))


def angle_between(first: Vector, second: Vector) -> float:
    """Return the angle between two vectors (rad), exact at small angles and near the half turn."""
    across = cross(first, second)
    return math.atan2(math.sqrt(float(across @ across)), float(np.dot(first, second)))


def wrap_half_turn(angle_rad: float) -> float:
    """Return the angle in -pi (excluded) to pi (included)."""
    wrapped = math.remainder(angle_rad, 2.0 * math.pi)
    return math.pi if wrapped == -math.pi else wrapped


def wrap_half_turn_deg(angle_deg: float) -> float:
    """Return the angle in -180 (included) to 180 (excluded), both and the angle in deg."""
    return (angle_deg + 180.0) % 360.0 - 180.0


def sky_tangents(direction_enu: Vector) -> tuple[Vector, Vector]:
    """Return the two unit vectors across a direction: increasing azimuth, increasing altitude."""
    east, north, up = direction_enu.tolist()
    length = math.hypot(east, north)
    # At the zenith azimuth has no meaning: east and, as there, south are as good as any pair.
    x, y = (north / length, -east / length) if length > 1e-12 else (1.0, 0.0)
    return np.array([x, y, 0.0]), np.array([y * up, -x * up, x * north - y * east])


def any_perpendiculars(direction: NDArray[np.float64]) -> tuple[Vector, Vector]:
    """Return two unit vectors that complete ``direction`` to a right-handed triad."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    first = unit(cross(direction, helper))
    return first, cross(direction, first)
