"""A sensor in memory: clamped to the axis of the mount in memory, with errors of its own."""

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from polewright.core.axis.attitude_sensor import TOP_EDGE
from polewright.core.axis.device_orientation import OrientationWindow, Pace
from polewright.core.axis.field_events import SENSOR_PACE, FieldEvent
from polewright.core.sky.magnetic import magnetic_field
from polewright.core.sky.observed import pole_enu
from polewright.ports import SensorHold, SensorReading
from tests.session.ports_in_memory import MemoryMount, VirtualClock

RATE_HZ = 5.0


@dataclass
class MemorySensor:
    """Gravity and field at five hertz, along the polar axis, as its bracket holds it.

    ``crooked_deg``: how far the axis is from where the bracket is meant to hold it, about the
    sensor's x and z; ``off_axis``: an attitude of its own while a hand holds it.
    """

    clock: VirtualClock
    mount: MemoryMount
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(3))
    crooked_deg: tuple[float, float] = (0.0, 0.0)
    zero_offset_deg: float = 0.0
    compass_off_deg: float = 0.0
    iron_enu_nt: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gravity_noise_ms2: float = 0.02
    field_noise_nt: float = 300.0
    silent: bool = False
    has_compass: bool = True
    off_axis: np.ndarray | None = None
    pace: Pace = SENSOR_PACE
    name: str = "memory"

    def __post_init__(self) -> None:
        self.window = OrientationWindow(self.pace)
        self.last_s = self.clock.monotonic() - 1.0 / RATE_HZ
        self.told_s = self.last_s
        about_x, about_z = self.crooked_deg
        self.axis_sensor = Rotation.from_euler("xz", [about_x, about_z], degrees=True).apply(
            TOP_EDGE
        )

    def attitude(self) -> np.ndarray:
        """Sensor to ground."""
        if self.off_axis is not None:
            return self.off_axis
        pole = pole_enu(self.mount.place, refracted=True)
        first = Rotation.align_vectors([pole], [self.axis_sensor])[0]
        return self.mount.head @ (Rotation.from_rotvec(pole * 0.3) * first).as_matrix()

    def listen(self) -> None:
        """Take what the sensor has told until now."""
        model = magnetic_field(self.mount.place, self.clock.now()).enu_nt
        wrong = Rotation.from_euler("z", -self.compass_off_deg, degrees=True).apply(model)
        seen = wrong + np.array(self.iron_enu_nt)
        offset = Rotation.from_euler("x", self.zero_offset_deg, degrees=True)
        while self.last_s + 1.0 / RATE_HZ <= self.clock.monotonic():
            self.last_s += 1.0 / RATE_HZ
            if self.silent:
                continue
            down = self.attitude().T
            weight = offset.apply(down @ [0.0, 0.0, 9.8])
            weight = weight + self.rng.normal(size=3) * self.gravity_noise_ms2
            told = down @ seen + self.rng.normal(size=3) * self.field_noise_nt
            self.window.add(
                FieldEvent(
                    at_s=self.last_s,
                    weight_ms2=tuple(weight),
                    field_nt=tuple(told) if self.has_compass else None,
                )
            )
            self.told_s = self.last_s

    @property
    def reading(self) -> SensorReading | None:
        self.listen()
        orientation = self.window.reading()
        if orientation is None or self.clock.monotonic() - self.told_s > 3.0:
            return None
        return SensorReading(
            orientation=orientation,
            hold=SensorHold.ALONG,
            received_s=self.told_s,
            axis_sensor=TOP_EDGE,
        )
