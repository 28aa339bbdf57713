"""The workplace: what the evening's surveys and adjustments work with."""

from collections.abc import Callable
from dataclasses import dataclass

from polewright.core.axis.estimate import AxisEstimate
from polewright.core.records import SurveyRecord
from polewright.core.sky.place import Place
from polewright.ports import Clock, Gate, PierSide, WatchInputs
from polewright.session.experience import Experience
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.following import Standing
from polewright.session.keeping import Keeper
from polewright.session.knob_reports import KnobReports
from polewright.session.known_axis import KnownAxis
from polewright.session.measuring import FrameMeasurer
from polewright.session.messages import Message
from polewright.session.safe_adjuster import GuardedAdjuster
from polewright.session.safety import GuardedMount
from polewright.session.sensor_desk import SensorDesk
from polewright.session.sights import Sights
from polewright.session.telling import Teller
from polewright.session.wishes import EveningWishes

Reply = Callable[[Message], None]
"""Takes what a command tells whoever gave it, while it goes on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Devices:
    """The devices in use, from when they are attached until they are gone."""

    camera: WatchedCamera
    measurer: FrameMeasurer
    exposures: ExposureFinder
    place: Place
    mount: GuardedMount | None
    motors: GuardedAdjuster | None


@dataclass(slots=True, kw_only=True)
class Memory:
    """What one command leaves to the next, whatever becomes of the devices.

    Attributes
    ----------
    wishes : EveningWishes
        As they were asked last.
    survey : AxisEstimate or None
        The last survey.
    kept : SurveyRecord or None
        Its record, while it is an earlier evening's.
    standing : Standing or None
        How the declination axis stood at it.
    axis : KnownAxis or None
        Where the axis was seen last, also while bolts were turned.
    doubted : KnownAxis or None
        Where it was seen before a look saw that something moved.
    sights : Sights or None
        What sights by day have told.
    """

    wishes: EveningWishes
    survey: AxisEstimate | None = None
    kept: SurveyRecord | None = None
    standing: Standing | None = None
    axis: KnownAxis | None = None
    doubted: KnownAxis | None = None
    sights: Sights | None = None

    @property
    def in_doubt(self) -> bool:
        """True where something was seen to move since the survey, camera or declination maybe."""
        if self.axis is None:
            return self.doubted is not None
        return self.axis.doubtful

    def other_mount(self, name: str) -> str | None:
        """Return whose axis is remembered where that is another mount's than this; else None."""
        surveyed = self.standing.mount if self.standing is not None else ""
        return surveyed if "" not in (surveyed, name) and surveyed != name else None

    def take_up(self, kept: SurveyRecord) -> None:
        """Go by an earlier evening's survey."""
        self.survey, self.kept = kept.estimate, kept
        self.axis = KnownAxis.surveyed(kept.estimate)
        self.standing = Standing(
            declination_deg=kept.declination_deg,
            pier_side=PierSide(kept.pier_side),
            mount=kept.mount,
            camera=kept.camera,
            scale_arcsec_px=kept.scale_arcsec_px,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Workplace:
    """What one command's work has at hand."""

    devices: Devices
    memory: Memory
    clock: Clock
    keeper: Keeper
    experience: Experience
    knobs: KnobReports
    teller: Teller
    reply: Reply
    sensor: SensorDesk | None = None
    watched: WatchInputs | None = None
    gate: Gate | None = None
    mount_now: Callable[[], GuardedMount | None] = lambda: None
    stop_asked: Callable[[], bool] = lambda: False

    @property
    def place(self) -> Place:
        """Where the mount stands."""
        return self.devices.place

    @property
    def mount_name(self) -> str:
        """The mount's name; empty where it is turned by hand."""
        return self.devices.mount.name if self.devices.mount is not None else ""
