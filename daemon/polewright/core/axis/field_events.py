"""Field events: what a sensor tells that measures gravity and the magnetic field, or a rotation.

Frames as in :mod:`polewright.core.axis.device_orientation`; at rest an accelerometer shows up.
"""

import math
from dataclasses import dataclass

import numpy as np

from polewright.core.axis.device_orientation import COMPASS_SIGMA_RAD, Pace
from polewright.core.geometry.directions import any_perpendiculars, unit
from polewright.core.geometry.rotations import Matrix, cross_matrix

ZERO_OFFSET_SIGMA_RAD = math.radians(1.0)
"""Gravity of a sensor that nobody calibrated: makers allow zero offsets of 20 to 40 mg, which is
1 to 2 deg, and most parts are better (data sheets of several makers, from memory)."""

SENSOR_PACE = Pace(
    window_s=6.0,
    shortest_s=2.0,
    fewest=5,
    longest_gap_s=3.0,
    still_tilt_rad=math.radians(0.4),
    still_heading_rad=math.radians(4.0),
    still_weight=0.08,
    tilt_sigma_rad=ZERO_OFFSET_SIGMA_RAD,
    heading_sigma_rad=COMPASS_SIGMA_RAD,
    independent=True,
)
"""A small sensor on a wire: few events a second, with the noise of each."""

# Where the field is nearer to the vertical than this it shows no north.
_STEEPEST = math.sin(math.radians(5.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldEvent:
    """One measurement of gravity and, where the sensor has a compass, of the magnetic field.

    Attributes
    ----------
    at_s : float
        When, by a clock that never jumps (s).
    weight_ms2 : tuple of float
        What the accelerometer shows (m/s^2): up, at rest.
    field_nt : tuple of float or None
        The magnetic field (nT).
    accuracy_deg : float or None
        How wrong the heading may be, as the sensor says.
    """

    at_s: float
    weight_ms2: tuple[float, float, float]
    field_nt: tuple[float, float, float] | None = None
    accuracy_deg: float | None = None

    @property
    def knows_north(self) -> bool:
        """Whether the field shows north."""
        if self.field_nt is None or not any(self.field_nt):
            return False
        return math.hypot(*_east(self.field_nt, self.weight_ms2)) > _STEEPEST

    @property
    def magnetic_from_device(self) -> Matrix:
        """Rotation device -> magnetic east, north, up; about up it means nothing without north."""
        up = np.array(self.weight_ms2) / math.hypot(*self.weight_ms2)
        if self.field_nt is not None and self.knows_north:
            east = unit(np.array(_east(self.field_nt, self.weight_ms2)))
        else:
            east = any_perpendiculars(up)[0]
        return np.stack([east, cross_matrix(up) @ east, up])


def _east(
    field: tuple[float, float, float], weight: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Return magnetic east, as long as the sine of the field's distance from the vertical."""
    # Written out: numpy's cross product of two single vectors takes ten times as long.
    scale = 1.0 / (math.hypot(*field) * math.hypot(*weight))
    (fx, fy, fz), (ux, uy, uz) = field, weight
    return (
        (fy * uz - fz * uy) * scale,
        (fz * ux - fx * uz) * scale,
        (fx * uy - fy * ux) * scale,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RotationEvent:
    """One attitude that a sensor has made itself, from its field, gravity and gyroscopes.

    Attributes
    ----------
    at_s : float
        When, by a clock that never jumps (s).
    magnetic_from_device : ndarray of shape (3, 3)
        Device -> magnetic east, north, up.
    accuracy_deg : float or None
        How wrong the heading may be, as the sensor says.
    """

    at_s: float
    magnetic_from_device: Matrix
    accuracy_deg: float | None = None

    @property
    def weight_ms2(self) -> tuple[float, float, float] | None:
        """None: it is not told."""
        return None

    @property
    def field_nt(self) -> tuple[float, float, float] | None:
        """None: it is not told."""
        return None

    @property
    def knows_north(self) -> bool:
        """True: it tells a heading."""
        return True


def rotation_of_quaternion(w: float, x: float, y: float, z: float) -> Matrix:
    """Return the rotation of a quaternion (Hamilton's, real part first), scaled to length 1.

    Raises
    ------
    ValueError
        It is too far from a rotation.
    """
    parts = np.array([w, x, y, z])
    length = float(np.linalg.norm(parts))
    if not 0.5 < length < 2.0:
        raise ValueError("not a rotation")
    w, x, y, z = (float(part) for part in parts / length)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )
