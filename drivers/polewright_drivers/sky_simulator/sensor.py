"""Sensor: the INDI device "Kudu Sensor", a phone or the like that is clamped to the polar axis.

It speaks as the driver ``polewright-bracket`` does for a real one.  The sensor's x points to the
right of its screen, y to its top edge, z out of the screen.
"""

import math

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.indi.attitude import AttitudeVectors
from polewright_drivers.indi.device import AUX_INTERFACE
from polewright_drivers.indi.driver import TICK_S
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.magnetism import field_enu_ut, weight_ms2
from polewright_drivers.sky_simulator.mechanics import (
    Joints,
    Mechanics,
    rotation_x,
    rotation_y,
    rotation_z,
)
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import SensorTruth

Matrix = NDArray[np.float64]
Vector = NDArray[np.float64]

# Columns: where x, y, z of the sensor point in the polar frame.
_HELD = {
    "along": np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    "square": np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]),
}


def polar_from_sensor(truth: SensorTruth, side: float) -> Matrix:
    """Return the rotation from the sensor to the polar frame, its bracket's error in.

    Parameters
    ----------
    truth : SensorTruth
        How it is held.
    side : float
        +1 north of the equator, -1 south of it.
    """
    pitch, yaw, roll = (
        math.radians(angle)
        for angle in (truth.bracket_pitch_deg, truth.bracket_yaw_deg, truth.bracket_roll_deg)
    )
    # The polar frame's x is up; its y is east in the north and west in the south.
    leaning = rotation_x(-side * yaw) @ rotation_y(pitch)
    return np.asarray(leaning @ rotation_z(roll) @ _HELD[truth.hold])


def enu_from_sensor(
    mechanics: Mechanics, joints: Joints, truth: SensorTruth, side: float
) -> Matrix:
    """Return how the sensor lies."""
    polar = mechanics.enu_from_polar(joints)
    if truth.turns_with_axis:
        polar = polar @ rotation_z(joints.axis_1_rad)
    return np.asarray(polar @ polar_from_sensor(truth, side))


class Sensor(SimulatedDevice):
    """The sensor as INDI sees it.

    Parameters
    ----------
    rig : Rig
        What it is clamped to.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._truth = rig.scenario.sensor
        self._noise = np.random.default_rng([rig.scenario.seed, 5])
        self._weight = weight_ms2(rig.scenario.site)
        self._field = field_enu_ut(rig.scenario.site, rig.advance())
        self._iron = np.array([self._truth.iron_x_ut, self._truth.iron_y_ut, self._truth.iron_z_ut])
        self._every = max(round(1.0 / (self._truth.rate_hz * TICK_S)), 1)
        self._ticks = 0
        self._before: tuple[float, Matrix] | None = None
        self.vectors = AttitudeVectors()
        super().__init__("Kudu Sensor", AUX_INTERFACE, self.vectors.properties)

    def read(self) -> tuple[Vector, Vector, Vector]:
        """Return weight (m/s^2), field (uT) and rate (deg/s) in the sensor's frame."""
        unix_s = self._rig.advance()
        scenario = self._rig.scenario
        attitude = enu_from_sensor(
            self._rig.mechanics, self._rig.joints(), self._truth, scenario.site.side
        )
        rate = np.zeros(3)
        if self._before is not None and unix_s > self._before[0]:
            turned = self._before[1].T @ attitude
            axial = [turned[2, 1] - turned[1, 2], turned[0, 2] - turned[2, 0],
                     turned[1, 0] - turned[0, 1]]  # fmt: skip
            rate = np.degrees(np.array(axial) / 2.0) / (unix_s - self._before[0])
        self._before = (unix_s, attitude)
        weight = attitude.T @ np.array([0.0, 0.0, self._weight])
        field = attitude.T @ self._field + self._iron
        weight += self._truth.gravity_noise_ms2 * self._noise.standard_normal(3)
        field += self._truth.field_noise_ut * self._noise.standard_normal(3)
        return weight, field, rate

    async def disconnecting(self) -> None:
        """Forget: old values are not to be used."""
        self.vectors.forget()

    async def tick(self) -> None:
        """Tell at the sensor's rate."""
        self._ticks += 1
        if self.connected and self._ticks % self._every == 0:
            for vector, values in zip(self.vectors.properties, self.read(), strict=True):
                await self.vectors.tell(vector, values)
