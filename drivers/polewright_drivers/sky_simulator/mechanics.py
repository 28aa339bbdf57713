"""Mechanics: from the ground to the camera as composed rotations.

Frames, all right-handed.  ENU: x east, y north, z up.  Polar frame: z along the polar axis's
elevated end, x toward the upper meridian.  Camera: x along the boresight, y along increasing
column, z along increasing row (decreasing row where the picture is mirrored).

    enu_from_camera = base tilt . azimuth bolt . altitude bolt . polar frame .
                      Rz(axis 1) . Rx(non-perpendicularity) . Ry(-axis 2) . Rz(cone) . Rx(roll)

Axis 1 counts right-handed about the polar axis from the upper meridian; axis 2 counts from the
axis's equator toward its elevated end and goes on beyond 90 deg on the other side of the pier.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.scenario import CameraTruth, MountTruth, SiteTruth

Matrix = NDArray[np.float64]
Vector = NDArray[np.float64]


def rotation_x(angle_rad: float) -> Matrix:
    """Rotate right-handed about x."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rotation_y(angle_rad: float) -> Matrix:
    """Rotate right-handed about y."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rotation_z(angle_rad: float) -> Matrix:
    """Rotate right-handed about z."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def direction(azimuth_deg: float, altitude_deg: float) -> Vector:
    """Return the ENU unit vector of an azimuth (from north through east) and altitude."""
    azimuth, altitude = math.radians(azimuth_deg), math.radians(altitude_deg)
    return np.array(
        [
            math.cos(altitude) * math.sin(azimuth),
            math.cos(altitude) * math.cos(azimuth),
            math.sin(altitude),
        ]
    )


def azimuth_altitude_deg(vector_enu: Vector) -> tuple[float, float]:
    """Return azimuth (0 to 360) and altitude of an ENU vector (deg)."""
    east, north, up = (float(c) for c in vector_enu)
    azimuth = math.degrees(math.atan2(east, north)) % 360.0
    return azimuth, math.degrees(math.atan2(up, math.hypot(east, north)))


def separation_rad(a: Vector, b: Vector) -> float:
    """Return the angle between unit vectors, exact for small ones (Kahan's form)."""
    return 2.0 * math.atan2(float(np.linalg.norm(a - b)), float(np.linalg.norm(a + b)))


def _lean(by_deg: float, toward_deg: float) -> Matrix:
    """Return the rotation by which the vertical leans toward an azimuth."""
    toward = math.radians(toward_deg)
    return rotation_z(-toward) @ rotation_x(-math.radians(by_deg)) @ rotation_z(toward)


@dataclass(frozen=True, slots=True, kw_only=True)
class Joints:
    """The angles of everything that turns, as it really stands (rad)."""

    axis_1_rad: float
    axis_2_rad: float
    azimuth_bolt_rad: float
    altitude_bolt_rad: float


class Mechanics:
    """The rigid parts of one mount.

    Parameters
    ----------
    site, mount, camera : SiteTruth, MountTruth, CameraTruth
        The hidden truths.
    """

    def __init__(self, site: SiteTruth, mount: MountTruth, camera: CameraTruth) -> None:
        side = site.side
        self._side = side
        latitude = math.radians(abs(site.latitude_deg))
        pole_azimuth_deg = 0.0 if side > 0.0 else 180.0
        self.pole_enu = direction(pole_azimuth_deg, abs(site.latitude_deg))
        upper = direction(pole_azimuth_deg + 180.0, 90.0 - abs(site.latitude_deg))
        self._head_from_polar = np.column_stack(
            [upper, np.cross(self.pole_enu, upper), self.pole_enu]
        )
        self._enu_from_base = _lean(mount.base_tilt_deg, mount.base_tilt_azimuth_deg)
        self.leans = 0
        wanted = direction(
            pole_azimuth_deg + mount.axis_azimuth_error_deg,
            abs(site.latitude_deg) + mount.axis_altitude_error_deg,
        )
        azimuth_deg, altitude_deg = azimuth_altitude_deg(self._enu_from_base.T @ wanted)
        self._azimuth_start_rad = math.radians(azimuth_deg - pole_azimuth_deg)
        self._altitude_start_rad = math.radians(altitude_deg) - latitude
        self._perpendicularity = rotation_x(math.radians(mount.non_perpendicularity_arcmin / 60.0))
        self._tube_from_camera = rotation_z(math.radians(mount.cone_arcmin / 60.0)) @ rotation_x(
            math.radians(camera.roll_deg)
        )

    def lean(self, by_deg: float, toward_deg: float) -> None:
        """Let the base lean further toward an azimuth: a leg sank, or somebody hit it."""
        self._enu_from_base = _lean(by_deg, toward_deg) @ self._enu_from_base
        self.leans += 1

    def enu_from_polar(self, joints: Joints) -> Matrix:
        """Return the polar frame's rotation into ENU; its third column is the axis."""
        azimuth = self._azimuth_start_rad + joints.azimuth_bolt_rad
        altitude = self._altitude_start_rad + joints.altitude_bolt_rad
        return (
            self._enu_from_base
            @ rotation_z(-azimuth)
            @ rotation_x(self._side * altitude)
            @ self._head_from_polar
        )

    def axis_enu(self, joints: Joints) -> Vector:
        """Return the elevated end of the polar axis."""
        return self.enu_from_polar(joints)[:, 2]

    def enu_from_camera(self, joints: Joints) -> Matrix:
        """Return the camera's rotation into ENU."""
        return (
            self.enu_from_polar(joints)
            @ rotation_z(joints.axis_1_rad)
            @ self._perpendicularity
            @ rotation_y(-joints.axis_2_rad)
            @ self._tube_from_camera
        )
