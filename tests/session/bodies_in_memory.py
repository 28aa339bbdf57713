"""A mount with all the errors of a real one, and a camera that sees the Sun or a planet by it."""

import math
from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np

from polewright.core.axis.bolts import BoltTurns, level_bolts, rotation_of
from polewright.core.axis.pointing_mechanics import PointingTerms, axis_of, pointed
from polewright.core.axis.turned_mount import turned_terms
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.imaging.frame import Frame
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.mount_frame import hour_angle_deg, right_ascension_deg
from polewright.core.sky.place import Place
from polewright.ports import CameraInfo, MountStatus, PierSide
from tests.session.ports_in_memory import ALL, TERRACE, VirtualClock

FULL = 60000.0


@dataclass
class ErringMount:
    """Shows what it believes; its telescope points where its terms say."""

    clock: VirtualClock
    terms: PointingTerms
    place: Place = TERRACE
    repeatability_arcsec: float = 5.0
    right_ascension: float = 0.0
    declination: float = -70.0
    pier_side: PierSide = PierSide.EAST
    seed: int = 1
    slews: int = 0
    aborted: int = 0
    name: str = "Kudu"
    capabilities = ALL
    jitter: np.ndarray = field(default_factory=lambda: np.zeros(2))

    def __post_init__(self):
        self.rng = np.random.default_rng(self.seed)
        # Somewhere in the forenoon's sky.
        self.right_ascension = right_ascension_deg(-40.0, self.clock.now(), self.place)
        self.declination = 0.0

    async def status(self):
        return MountStatus(
            right_ascension_deg=self.right_ascension,
            declination_deg=self.declination,
            slewing=False,
            tracking=True,
            parked=False,
            pier_side=self.pier_side,
        )

    async def place_told(self):
        return self.place

    async def slew_to(self, right_ascension, declination):
        self.right_ascension, self.declination = right_ascension, declination
        self.jitter = self.rng.normal(size=2) * self.repeatability_arcsec * ARCSEC_RAD
        self.slews += 1
        await self.clock.sleep(8.0)

    async def abort(self):
        self.aborted += 1

    async def set_tracking(self, *, on, mode=None):
        raise NotImplementedError

    def camera(self, instant) -> np.ndarray:
        """Rows: where the telescope points, and west and north in the sky there (ENU)."""
        hour = math.radians(hour_angle_deg(self.right_ascension, instant, self.place))
        reading = np.array([hour, math.radians(self.declination)])
        reading += self.jitter / np.array([math.cos(reading[1]), 1.0])
        beyond = np.array([self.pier_side is PierSide.WEST])

        def at(step):
            there = reading + step
            return pointed(self.terms.array(), there[:1], there[1:], beyond, self.place)[0]

        middle = at(np.zeros(2))
        west = at(np.array([1e-6, 0.0])) - middle
        west /= np.linalg.norm(west)
        return np.stack([middle, west, np.cross(west, middle)])

    def axis_enu(self) -> np.ndarray:
        return axis_of(self.terms.array(), self.place)

    def turn_bolts(self, azimuth_arcmin: float, altitude_arcmin: float) -> None:
        turns = BoltTurns(
            azimuth_rad=azimuth_arcmin * ARCMIN_RAD, altitude_rad=altitude_arcmin * ARCMIN_RAD
        )
        turn = rotation_of(level_bolts(self.axis_enu()), turns)
        self.terms = turned_terms(self.terms, self.place, turn)


@dataclass
class DaylightCamera:
    """Renders one body as a disc (or a point) where the telescope's true pointing puts it."""

    clock: VirtualClock
    mount: ErringMount
    body: Body = Body.SUN
    name: str = "Hoopoe"
    scale_arcsec_px: float = 12.8
    roll_deg: float = 25.0
    light_per_s: float = 5e6
    sky_per_s: float = 1e5
    frames: int = 0
    covered: bool = False
    width_px: int = 640
    height_px: int = 480

    async def info(self):
        return CameraInfo(
            name=self.name, width_px=self.width_px, height_px=self.height_px, pixel_size_um=7.5,
            shortest_exposure_s=1e-4,
        )  # fmt: skip

    def body_px(self, instant) -> tuple[float, float]:
        middle, west, north = self.mount.camera(instant)
        there = body_place(self.body, self.mount.place, instant).direction_enu
        depth = there @ middle
        side = 1.0 if self.mount.pier_side is not PierSide.WEST else -1.0
        x, y = side * (there @ west) / depth, side * (there @ north) / depth
        cos, sin = math.cos(math.radians(self.roll_deg)), math.sin(math.radians(self.roll_deg))
        scale = self.scale_arcsec_px * ARCSEC_RAD
        return (
            0.5 * (self.width_px - 1) + (cos * x - sin * y) / scale,
            0.5 * (self.height_px - 1) + (sin * x + cos * y) / scale,
        )

    async def expose(self, exposure_s):
        await self.clock.sleep(exposure_s / 2 + 0.2)
        instant = self.clock.now()
        await self.clock.sleep(exposure_s / 2 + 0.3)
        self.frames += 1
        rng = np.random.default_rng(self.frames)
        picture = np.full((self.height_px, self.width_px), self.sky_per_s * exposure_s)
        if not self.covered:
            x, y = self.body_px(instant)
            angular = body_place(self.body, self.mount.place, instant).angular_radius_rad
            radius = angular / (self.scale_arcsec_px * ARCSEC_RAD)
            rows, columns = np.mgrid[: self.height_px, : self.width_px]
            away = np.hypot(columns - x, rows - y)
            if radius >= 6.0:
                edge = np.clip(radius - away + 0.5, 0.0, 1.0)
                inside = np.clip(1.0 - (away / radius) ** 2, 0.0, 1.0)
                picture += edge * (0.4 + 0.6 * np.sqrt(inside)) * self.light_per_s * exposure_s
            else:
                picture += np.exp(-0.5 * (away / 1.4) ** 2) * self.light_per_s * exposure_s
        picture += rng.normal(size=picture.shape) * np.sqrt(np.maximum(picture, 1.0)) + 200.0
        return Frame(
            pixels=np.clip(picture, 0.0, FULL).astype(np.uint16),
            mid_exposure=instant,
            exposure_s=exposure_s,
            saturation=FULL,
            camera=self.name,
        )


def later(clock: VirtualClock, **amount: float) -> None:
    """Let time pass."""
    clock.elapsed_s += timedelta(**amount).total_seconds()
