"""A motorised adjuster in memory: two motors with signs, scales, play and a base that leans."""

import asyncio
import math
from dataclasses import dataclass, field

import numpy as np

from polewright.core.errors import DeviceError
from polewright.core.geometry.directions import ARCMIN_RAD, unit
from polewright.core.geometry.rotations import rotation_about
from tests.session.ports_in_memory import MemoryMount


@dataclass
class MemoryMotor:
    """Turns its bolt by ``scale`` of what it is asked, after the play is taken up."""

    scale: float = 1.0
    play_arcmin: float = 0.0
    stuck: bool = False
    driver_rad: float = 0.0
    bolt_rad: float = 0.0

    def turn(self, commanded_deg: float) -> float:
        if self.stuck:
            return 0.0
        self.driver_rad += math.radians(commanded_deg) * self.scale
        half = 0.5 * self.play_arcmin * ARCMIN_RAD
        before = self.bolt_rad
        self.bolt_rad = min(max(before, self.driver_rad - half), self.driver_rad + half)
        return self.bolt_rad - before


@dataclass
class MemoryAdjuster:
    """Moves the head of a :class:`MemoryMount`."""

    mount: MemoryMount
    azimuth: MemoryMotor = field(default_factory=MemoryMotor)
    altitude: MemoryMotor = field(default_factory=MemoryMotor)
    vertical: tuple[float, float, float] = (0.0, 0.0, 1.0)
    name: str = "Kudu Bolts"
    largest_step_deg: tuple[float, float] = (10.0, 10.0)
    commands: list[tuple[float, float]] = field(default_factory=list)
    aborted: int = 0
    exchanged: bool = False
    fails: DeviceError | None = None
    started: asyncio.Event = field(default_factory=asyncio.Event)
    never_ends: bool = False

    async def step(self, azimuth_deg: float, altitude_deg: float) -> None:
        self.commands.append((azimuth_deg, altitude_deg))
        self.started.set()
        if self.fails is not None:
            raise self.fails
        if self.never_ends:
            await asyncio.Event().wait()
        if self.exchanged:
            azimuth_deg, altitude_deg = altitude_deg, azimuth_deg
        self.turn(self.azimuth.turn(azimuth_deg), self.altitude.turn(altitude_deg))
        await self.mount.clock.sleep(5.0)

    def turn(self, azimuth_rad: float, altitude_rad: float) -> None:
        vertical = unit(np.array(self.vertical))
        across = unit(np.cross(self.mount.true_axis_enu(), vertical))
        lift = rotation_about(across, altitude_rad)
        self.mount.head = rotation_about(-vertical, azimuth_rad) @ lift @ self.mount.head

    async def abort(self) -> None:
        self.aborted += 1
