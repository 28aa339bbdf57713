"""IIO: sensors that the Linux kernel knows, through sysfs.

Form: the kernel's Documentation/ABI/testing/sysfs-bus-iio: ``in_accel_x_raw`` plus
``in_accel_offset`` times ``in_accel_scale`` is m/s^2, of ``in_magn`` gauss, of ``in_anglvel``
rad/s; ``in_mount_matrix`` (or that of the kind) turns the chip into the device.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.bracket.readings import Reading

Vector = NDArray[np.float64]

IIO_ROOT = Path("/sys/bus/iio/devices")
_UT_PER_GAUSS = 100.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """Three axes of one kind: where they are read, and how they become the unit wanted."""

    raw: tuple[Path, Path, Path]
    scale: Vector
    offset: Vector
    mount: NDArray[np.float64]

    @classmethod
    def found(cls, device: Path, kind: str, unit: float) -> "Channel | None":
        """Return the channel of a device, None where it has none."""
        raw = tuple(device / f"in_{kind}_{axis}_raw" for axis in "xyz")
        if not all(path.exists() for path in raw):
            return None
        return cls(
            raw=(raw[0], raw[1], raw[2]),
            scale=_each(device, kind, "scale", 1.0) * unit,
            offset=_each(device, kind, "offset", 0.0),
            mount=_mount(device, kind),
        )

    def read(self) -> Vector:
        """Return the three values in the device's axes."""
        counts = np.array([float(path.read_text()) for path in self.raw])
        return np.asarray(self.mount @ ((counts + self.offset) * self.scale))


@dataclass(frozen=True, slots=True, kw_only=True)
class IioSensors:
    """An accelerometer and, where there are, a magnetometer and a gyroscope."""

    gravity: Channel
    field: Channel | None
    rate: Channel | None

    @classmethod
    def found(cls, root: Path) -> "IioSensors | None":
        """Return the first sensor of each kind, None without an accelerometer."""
        first: dict[str, Channel] = {}
        units = {"accel": 1.0, "magn": _UT_PER_GAUSS, "anglvel": math.degrees(1.0)}
        for device in sorted(root.glob("iio:device*")):
            for kind, unit in units.items():
                channel = Channel.found(device, kind, unit)
                if channel is not None:
                    first.setdefault(kind, channel)
        if "accel" not in first:
            return None
        return cls(gravity=first["accel"], field=first.get("magn"), rate=first.get("anglvel"))

    def read(self) -> Reading:
        """Return what they say (blocking).

        Raises
        ------
        OSError, ValueError
            A file cannot be read or holds no number.
        """
        return Reading(
            gravity_ms2=self.gravity.read(),
            field_ut=None if self.field is None else self.field.read(),
            rate_deg_s=None if self.rate is None else self.rate.read(),
        )


def _each(device: Path, kind: str, what: str, default: float) -> Vector:
    """Return a factor of each axis, its own or the one of all three."""

    def one(axis: str) -> float:
        for name in (f"in_{kind}_{axis}_{what}", f"in_{kind}_{what}"):
            path = device / name
            if path.exists():
                return float(path.read_text())
        return default

    return np.array([one(axis) for axis in "xyz"])


def _mount(device: Path, kind: str) -> NDArray[np.float64]:
    """Return the mount matrix: three rows, ``;`` between rows and ``,`` between numbers."""
    for name in (f"in_{kind}_mount_matrix", "in_mount_matrix", "mount_matrix"):
        path = device / name
        if path.exists():
            rows = [row.split(",") for row in path.read_text().strip().split(";")]
            matrix = np.array([[float(part) for part in row] for row in rows])
            if matrix.shape == (3, 3):
                return matrix
    return np.eye(3)
