"""Attitude: the properties of a device that tells how it lies.

``GRAVITY`` X, Y, Z (m/s^2): what an accelerometer at rest shows; it points up.
``MAGNETIC_FIELD`` X, Y, Z (uT): the field's direction, north and, in the northern hemisphere, down.
``ROTATION_RATE`` X, Y, Z (deg/s): right-handed about each axis.

Axes, as the W3C's "Device Orientation and Motion" has them: x to the right of a screen held
upright, y to its top edge, z out of it; of a bare sensor, the three that are printed on it.
"""

from collections.abc import Iterable
from typing import Any

from polewright_drivers.indi.device import numbers

_GROUP = "Main Control"
_FORMAT = "%.5f"


class AttitudeVectors:
    """The three properties."""

    def __init__(self) -> None:
        self.gravity = _vector("GRAVITY", "Gravity (m/s^2)", 200.0)
        self.field = _vector("MAGNETIC_FIELD", "Magnetic field (uT)", 10000.0)
        self.rate = _vector("ROTATION_RATE", "Rotation rate (deg/s)", 4000.0)

    @property
    def properties(self) -> list[Any]:
        """All of them."""
        return [self.gravity, self.field, self.rate]

    async def tell(self, vector: Any, values: Iterable[float]) -> None:
        """Send one of them."""
        for name, value in zip("XYZ", values, strict=True):
            vector[name] = f"{float(value):.6f}"
        await vector.send_setVector(state="Ok")

    def forget(self) -> None:
        """Take the values as not told yet."""
        for vector in self.properties:
            vector.state = "Idle"


def _vector(name: str, label: str, limit: float) -> Any:
    return numbers(name, label, _GROUP, "ro", [(a, a, _FORMAT, -limit, limit, 0.0) for a in "XYZ"])
