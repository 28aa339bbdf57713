"""A mount in memory with true mechanics: cone, squareness, zero points, two sides of its pier.

Turned piece by piece with scipy, apart from the model that is fitted to it.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from polewright.core.geometry.directions import any_perpendiculars
from polewright.core.sky.mount_frame import hour_angle_deg, right_ascension_deg
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.ports import MountStatus, PierSide
from tests.bench.daylight import pointed_by_hand
from tests.session.ports_in_memory import MemoryMount


@dataclass
class MechanicalMount(MemoryMount):
    """Shows what its encoders say; ``terms`` (as ``PointingTerms`` orders them) are the truth.

    ``builds_model``: the second sync and later ones bend what it shows elsewhere, as a mount with
    a model of its own does.  ``slips_deg``: what it loses of hour angle after so many slews.
    """

    terms: np.ndarray = field(default_factory=lambda: np.zeros(6))
    offset_hour: float = 0.0
    offset_raw: float = 0.0
    beyond: bool = False
    flips: bool = True
    builds_model: bool = False
    syncs: list[tuple[float, float]] = field(default_factory=list)
    slips_after: int = 10**6
    slip_deg: float = 0.0
    repeats_arcsec: float = 0.0
    told_sites: list[Place] = field(default_factory=list)
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(8))
    _left: np.ndarray = field(default_factory=lambda: np.zeros(2))

    def __post_init__(self) -> None:
        if self.flips:
            self.beyond = self.hour_angle > 0.0
        else:
            self.capabilities = replace(self.capabilities, has_pier_side=False)

    # ``hour_angle`` and ``declination`` are what is shown; encoders are less the offsets.

    async def status(self) -> MountStatus:
        side = PierSide.EAST if self.beyond else PierSide.WEST
        return MountStatus(
            right_ascension_deg=right_ascension_deg(
                self.hour_angle_now(), self.clock.now(), self.place
            ),
            declination_deg=self.declination,
            slewing=False,
            tracking=True,
            parked=self.parked,
            pier_side=side if self.flips else PierSide.UNKNOWN,
        )

    def hour_angle_now(self) -> float:
        """It tracks: the right ascension of the last slew or sync stands."""
        return hour_angle_deg(self._right_ascension, self.clock.now(), self.place)

    async def slew_to(self, right_ascension: float, declination: float) -> None:
        self.hour_angle = hour_angle_deg(right_ascension, self.clock.now(), self.place)
        self.declination = declination
        self._right_ascension = right_ascension
        if self.flips:
            self.beyond = self.hour_angle > 0.0
        self.slews.append((self.hour_angle, declination))
        self._left = self.rng.normal(size=2) * self.repeats_arcsec / 3600.0
        if len(self.slews) > self.slips_after:
            self._left[0] += self.slip_deg
        await self.clock.sleep(3.0)

    async def sync(self, right_ascension: float, declination: float) -> None:
        before_hour, before = self.hour_angle_now(), self.declination
        now = hour_angle_deg(right_ascension, self.clock.now(), self.place)
        self.offset_hour += now - before_hour
        self.offset_raw += (before - declination) if self.beyond else (declination - before)
        self.hour_angle, self.declination = now, declination
        self._right_ascension = right_ascension
        self.syncs.append((now, declination))

    async def tell_site(self, place: Place) -> None:
        self.told_sites.append(place)

    @property
    def _right_ascension(self) -> float:
        if not hasattr(self, "_ra"):
            self._ra = right_ascension_deg(self.hour_angle, self.clock.now(), self.place)
        return self._ra

    @_right_ascension.setter
    def _right_ascension(self, value: float) -> None:
        self._ra = value

    def points_enu(self) -> np.ndarray:
        """Where the telescope really points."""
        bent = 0.0
        if self.builds_model and len(self.syncs) > 1:
            bent = 0.4 * math.sin(math.radians(2.0 * self.hour_angle_now()))
        hour = self.hour_angle_now() - self.offset_hour + self._left[0] + bent
        raw = -self.offset_raw if self.beyond else self.offset_raw
        declination = self.declination - raw + self._left[1]
        return pointed_by_hand(
            self.terms, math.radians(hour), math.radians(declination), self.beyond, self.place
        )

    def camera_enu(self) -> np.ndarray:
        boresight = self.points_enu()
        pole = pole_enu(self.place, refracted=False)
        across = np.cross(pole, boresight)
        if np.linalg.norm(across) < 1e-9:
            across = any_perpendiculars(boresight)[0]
        across /= np.linalg.norm(across)
        return np.column_stack([boresight, across, np.cross(boresight, across)])


class PortOfMount:
    """The mechanical mount as the service sees it; ``held`` is the site that it keeps."""

    def __init__(self, mount: MechanicalMount) -> None:
        self._mount = mount
        self.held: Place | None = mount.place

    def __getattr__(self, name: str):
        return getattr(self._mount, name)

    async def place(self) -> Place | None:
        return self.held
