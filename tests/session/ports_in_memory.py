"""In-memory ports with a clock that does not wait: a mount, a camera and the sky between them."""

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import rotation_about, rotation_from_vector
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.sky.mount_frame import hour_angle_deg, right_ascension_deg
from polewright.core.sky.observed import ObservingMoment, pole_enu
from polewright.core.sky.place import Place
from polewright.ports import CameraInfo, MountCapabilities, MountStatus, PierSide

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
ALL = MountCapabilities(
    can_slew=True, can_abort=True, can_track=True, can_park=True, can_sync=True,
    has_pier_side=True, has_place=True,
)  # fmt: skip


class VirtualClock:
    """Time that passes only when somebody sleeps."""

    def __init__(self, start: datetime = NIGHT) -> None:
        self.start = start
        self.elapsed_s = 0.0

    def now(self) -> datetime:
        return self.start + timedelta(seconds=self.elapsed_s)

    def monotonic(self) -> float:
        return self.elapsed_s

    async def sleep(self, duration_s: float) -> None:
        self.elapsed_s += duration_s


@dataclass
class MemoryMount:
    """Points where it is told at once, about an axis that ``head`` has moved off the pole."""

    clock: VirtualClock
    place: Place = TERRACE
    hour_angle: float = 30.0
    declination: float = -70.0
    parked: bool = False
    head: np.ndarray = field(default_factory=lambda: np.eye(3))
    slip_arcsec: float = 0.0
    slews: list[tuple[float, float]] = field(default_factory=list)
    aborted: int = 0
    name: str = "Kudu"
    capabilities: MountCapabilities = ALL

    async def status(self) -> MountStatus:
        return MountStatus(
            right_ascension_deg=right_ascension_deg(self.hour_angle, self.clock.now(), self.place),
            declination_deg=self.declination,
            slewing=False,
            tracking=True,
            parked=self.parked,
            pier_side=PierSide.UNKNOWN,
        )

    async def slew_to(self, right_ascension: float, declination: float) -> None:
        self.hour_angle = hour_angle_deg(right_ascension, self.clock.now(), self.place)
        self.declination = declination
        self.slews.append((self.hour_angle, declination))
        await self.clock.sleep(3.0)

    async def abort(self) -> None:
        self.aborted += 1

    async def set_tracking(self, *, on: bool) -> None:
        raise NotImplementedError

    async def sync(self, right_ascension: float, declination: float) -> None:
        raise NotImplementedError

    async def tell_site(self, place: Place) -> None:
        raise NotImplementedError

    async def park(self) -> None:
        self.parked = True

    async def unpark(self) -> None:
        self.parked = False

    def camera_enu(self) -> np.ndarray:
        """True ground-from-camera rotation now: the head's tilt after a perfect mount."""
        pole = pole_enu(self.place, refracted=True)
        elevated = 1.0 if not self.place.south else -1.0
        meridian = np.array([0.0, 0.0, 1.0]) - pole[2] * pole
        meridian /= np.linalg.norm(meridian)
        # Hour angle grows to the west: clockwise about the north pole.
        turn = rotation_about(pole * elevated, -math.radians(self.hour_angle))
        distance = math.pi / 2 - elevated * math.radians(self.declination)
        boresight = math.cos(distance) * pole + math.sin(distance) * meridian
        across = np.cross(pole, boresight)
        across /= np.linalg.norm(across)
        start = np.column_stack([boresight, across, np.cross(boresight, across)])
        slip = rotation_from_vector(np.array([0.0, self.slip_arcsec * ARCSEC_RAD, 0.0]))
        return self.head @ turn @ start @ slip

    def true_axis_enu(self) -> np.ndarray:
        return self.head @ pole_enu(self.place, refracted=True)


@dataclass
class MemoryCamera:
    """Delivers empty frames with the right time; the solver below knows what they show."""

    clock: VirtualClock
    name: str = "Hoopoe"
    frames: int = 0

    async def info(self) -> CameraInfo:
        return CameraInfo(name=self.name, width_px=1280, height_px=960, pixel_size_um=3.75)

    async def expose(self, exposure_s: float) -> Frame:
        await self.clock.sleep(exposure_s / 2)
        middle = self.clock.now()
        await self.clock.sleep(exposure_s / 2)
        self.frames += 1
        return Frame(
            pixels=np.zeros((960, 1280), np.uint16),
            mid_exposure=middle,
            exposure_s=exposure_s,
            camera=self.name,
        )


@dataclass
class MemorySolver:
    """Solves by looking at the mount's truth: stars where the camera really points."""

    mount: MemoryMount
    rng: np.random.Generator
    noise_px: float = 0.1
    scale_arcsec_px: float = 6.4
    clouds: int = 0
    elongation: float = float("nan")
    hints: list[SolveHint] = field(default_factory=list)

    async def prepare(self, width_px, height_px, hint, progress=None) -> None:
        return None

    async def solve(self, frame: Frame, hint: SolveHint) -> Attitude:
        self.hints.append(hint)
        if self.clouds > 0:
            self.clouds -= 1
            raise MeasurementError("no stars", remedy="Wait for the cloud.", code="too_few_stars")
        moment = ObservingMoment.at(self.mount.place, frame.mid_exposure)
        enu_from_camera = self.mount.camera_enu()
        # Catalogue stars near the field: invert the observed place of the boresight roughly.
        centre = _icrs_of(moment, enu_from_camera[:, 0])
        spread = self.rng.normal(size=(400, 3)) * 0.02
        stars = centre + spread
        stars /= np.linalg.norm(stars, axis=1)[:, None]
        in_camera = moment.enu_from_icrs(stars) @ enu_from_camera
        pixels = in_camera[:, 1:] / in_camera[:, :1] / (self.scale_arcsec_px * ARCSEC_RAD)
        inside = (np.abs(pixels[:, 0]) < 640) & (np.abs(pixels[:, 1]) < 480)
        pixels, stars = pixels[inside][:60], stars[inside][:60]
        pixels = pixels + self.rng.normal(size=pixels.shape) * self.noise_px
        in_camera_icrs = np.column_stack(
            [np.ones(len(pixels)), pixels * self.scale_arcsec_px * ARCSEC_RAD]
        )
        in_camera_icrs /= np.linalg.norm(in_camera_icrs, axis=1)[:, None]
        left, _, right = np.linalg.svd(in_camera_icrs.T @ stars)
        rotation = left @ np.diag([1, 1, np.linalg.det(left @ right)]) @ right
        return Attitude(
            camera_from_icrs=rotation,
            covariance_camera_rad2=np.eye(3) * 1e-10,
            mid_exposure=frame.mid_exposure,
            mid_exposure_sigma_s=0.1,
            star_icrs=stars,
            star_tangent=pixels,
            star_sigma_px=np.full(len(pixels), self.noise_px),
            star_px=pixels + np.array([639.5, 479.5]),
            scale_arcsec_px=self.scale_arcsec_px,
            mirrored=False,
            width_px=1280,
            height_px=960,
            rms_arcsec=1.0,
            solver="memory",
            elongation=self.elongation,
        )


@dataclass
class MemoryPublisher:
    """Remembers what was published."""

    messages: list[tuple[str, object, bool]] = field(default_factory=list)

    def publish(self, topic: str, payload: object, *, retain: bool) -> None:
        self.messages.append((topic, payload, retain))

    def last(self, topic: str):
        return next(payload for name, payload, _ in reversed(self.messages) if name == topic)


def _near(count: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(count, 3))


# Ten degrees apart at most; and what is scattered about a guess to see how the sky turns there.
_GRID = _near(1000, 0) / np.linalg.norm(_near(1000, 0), axis=1)[:, None]
_AROUND = _near(40, 1) * 0.01


def _icrs_of(moment: ObservingMoment, direction_enu: np.ndarray) -> np.ndarray:
    """Invert the observed place by rounds of correction: the middle of the stars, no more."""
    guess = _GRID[int(np.argmax(moment.enu_from_icrs(_GRID) @ direction_enu))]
    for _ in range(4):
        near = guess + _AROUND
        near /= np.linalg.norm(near, axis=1)[:, None]
        seen = moment.enu_from_icrs(near)
        left, _, right = np.linalg.svd(near.T @ seen)
        guess = (left @ np.diag([1, 1, np.linalg.det(left @ right)]) @ right) @ direction_enu
    return guess
