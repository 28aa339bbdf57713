"""What the session needs of the outside world: small protocols by capability.

Adapters implement these; tests pass in-memory ones.  Every coroutine that waits for a device is
bounded and raises a :class:`~polewright.core.errors.LinkError` when the call never arrived or a
:class:`~polewright.core.errors.DeviceError` when the device refused, failed or stayed silent.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from polewright.core.axis.device_orientation import OrientationReading
from polewright.core.axis.stands import Moment
from polewright.core.errors import PolewrightError
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.plan.sky_target import SkyTarget
from polewright.core.records import (
    BracketRecord,
    FrameRecord,
    KnobRecord,
    Lessons,
    LiveRecord,
    NoticeRecord,
    PlacementRecord,
    PlanRecord,
    PointingRecord,
    SurveyRecord,
    TrainRecord,
    TransitionRecord,
)
from polewright.core.sky.place import Place


class PierSide(StrEnum):
    """On which side of the pier the tube is, as the mount says."""

    EAST = "east"
    WEST = "west"
    UNKNOWN = "unknown"


class TrackMode(StrEnum):
    """At which rate a mount tracks."""

    SIDEREAL = "sidereal"
    SOLAR = "solar"
    LUNAR = "lunar"


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraInfo:
    """What a camera says of itself; None where it does not say.

    Size and pixel size are those of the frames that it delivers, ``binning`` included.
    """

    name: str
    width_px: int | None = None
    height_px: int | None = None
    pixel_size_um: float | None = None
    focal_length_mm: float | None = None
    bits: int | None = None
    bayer_pattern: str | None = None
    longest_exposure_s: float | None = None
    shortest_exposure_s: float | None = None
    binning: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class MountCapabilities:
    """What a mount can do, as seen from the properties that it offers."""

    can_slew: bool
    can_abort: bool
    can_track: bool
    can_park: bool
    can_sync: bool
    has_pier_side: bool
    has_place: bool
    has_position: bool = True
    track_modes: frozenset[TrackMode] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class MountStatus:
    """What the mount believes now.

    ``right_ascension_deg`` and ``declination_deg`` are of date (JNow), as the mount reports
    them (deg); None where it does not report.  ``parked`` and ``tracking`` are None where unknown.
    """

    right_ascension_deg: float | None
    declination_deg: float | None
    slewing: bool
    tracking: bool | None
    parked: bool | None
    pier_side: PierSide


class Camera(Protocol):
    """Takes pictures."""

    @property
    def name(self) -> str:
        """The device's name."""
        ...

    async def info(self) -> CameraInfo:
        """Return what the camera says of itself."""
        ...

    async def expose(self, exposure_s: float) -> Frame:
        """Take one frame and return it with its mid-exposure time (bounded wait)."""
        ...


class Mount(Protocol):
    """Turns the camera about two axes; what anybody may ask of it, moving left aside."""

    @property
    def name(self) -> str:
        """The device's name."""
        ...

    @property
    def capabilities(self) -> MountCapabilities:
        """What this mount can do."""
        ...

    async def status(self) -> MountStatus:
        """Return what the mount believes now."""
        ...

    async def abort(self) -> None:
        """Stop all motion at once."""
        ...

    async def place(self) -> Place | None:
        """Return the site that the mount holds, if any."""
        ...


class MovingMount(Mount, Protocol):
    """A mount that can be moved: for the session's interlocks only, which nobody goes round."""

    async def slew_to(self, right_ascension_deg: float, declination_deg: float) -> None:
        """Go to a place of date and track there; return when the mount stands (bounded)."""
        ...

    async def set_tracking(self, *, on: bool, mode: TrackMode = TrackMode.SIDEREAL) -> None:
        """Switch tracking on, at this rate, or off."""
        ...

    async def sync(self, right_ascension_deg: float, declination_deg: float) -> None:
        """Let it believe from now on that it points at this place of date; nothing turns."""
        ...

    async def tell_site(self, place: Place) -> None:
        """Tell it where it stands and what time it is; never while it moves (bounded)."""
        ...

    async def park(self) -> None:
        """Park (bounded)."""
        ...

    async def unpark(self) -> None:
        """Unpark (bounded)."""
        ...


class Adjuster(Protocol):
    """Turns the two bolts by motors; signs are learned, never trusted."""

    @property
    def name(self) -> str:
        """The device's name."""
        ...

    @property
    def largest_step_deg(self) -> tuple[float, float]:
        """What each motor takes in one command: azimuth, altitude (deg); infinite: not told."""
        ...

    async def step(self, azimuth_deg: float, altitude_deg: float) -> None:
        """Command one relative step of both motors (deg as the device counts); bounded wait."""
        ...

    async def abort(self) -> None:
        """Stop both motors at once."""
        ...


class SensorHold(StrEnum):
    """How a sensor is held to the polar axis."""

    SQUARE = "square"
    ALONG = "along"
    FIXED = "fixed"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SensorReading:
    """What an attitude sensor says, how it is held, and when that arrived (monotonic s).

    ``axis_sensor`` is the polar axis in the sensor's own frame, as it is meant to be held.
    """

    orientation: OrientationReading
    hold: SensorHold
    received_s: float
    axis_sensor: Vector


class AttitudeSensor(Protocol):
    """Tells how it lies: a phone, or another sensor that is held to the polar axis."""

    @property
    def name(self) -> str:
        """What it is."""
        ...

    @property
    def reading(self) -> SensorReading | None:
        """The newest reading; None while nothing comes from it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideOffset:
    """Where a guide star would stand had nobody corrected (arcsec, along declination; north +).

    ``anew``: a dither, another star, another target. ``hour_angle_deg`` (west +) and
    ``declination_deg`` where the star stands; None where whoever guides does not say.
    """

    instant: datetime
    declination_arcsec: float
    anew: bool = False
    hour_angle_deg: float | None = None
    declination_deg: float | None = None


class WatchInputs(Protocol):
    """What others hand over while they image: frames, and where a guide star went."""

    @property
    def words(self) -> str:
        """Where frames and offsets are looked for."""
        ...

    def begin(self) -> None:
        """Forget what was handed over so far."""
        ...

    async def next_frame(self) -> Frame:
        """Wait for a frame; raises ``MeasurementError`` where one is no picture."""
        ...

    async def next_offset(self) -> GuideOffset:
        """Wait for an offset of the guide star."""
        ...


class Gate(Protocol):
    """Lets something begin once the axis was verified; never blocks and never raises."""

    def open(self, verification: Mapping[str, object]) -> None:
        """Let it begin by this verification, which said ``good_enough``."""
        ...

    def shut(self) -> None:
        """End what it began, where that still goes on: somebody said stop."""
        ...


class TargetCatalogue(Protocol):
    """Knows where things on the sky are by their names; never asks a network."""

    def find(self, name: str) -> SkyTarget:
        """Return what a name means; raise UsageError ``unknown_target`` with near matches."""
        ...


class SiteSource(Protocol):
    """Knows where the mount stands (GPS device, the mount, settings)."""

    async def place(self) -> Place:
        """Return the place."""
        ...


class Solver(Protocol):
    """Finds the attitude of a frame."""

    async def prepare(
        self,
        width_px: int,
        height_px: int,
        hint: SolveHint,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        """Make ready for frames of this size and scale (may build a catalogue once, slow)."""
        ...

    async def solve(self, frame: Frame, hint: SolveHint) -> Attitude:
        """Return the attitude; raise MeasurementError where there is no sure solution."""
        ...


class Clock(Protocol):
    """Tells the time and sleeps; tests pass one that does not wait."""

    def now(self) -> datetime:
        """Return the aware UTC instant."""
        ...

    def monotonic(self) -> float:
        """Return seconds that never jump."""
        ...

    async def sleep(self, duration_s: float) -> None:
        """Sleep."""
        ...


class Publisher(Protocol):
    """Tells displays; never blocks the measuring and never raises."""

    def publish(self, topic: str, payload: object, *, retain: bool) -> None:
        """Queue one message below the mount's root: a JSON object, or a bare scalar or text."""
        ...


class Journal(Protocol):
    """Keeps what was measured; never blocks the measuring and never raises."""

    @property
    def trouble(self) -> PolewrightError | None:
        """What is wrong now; None while everything is kept."""
        ...

    @property
    def put_aside(self) -> str | None:
        """Where a damaged journal was put since the start; None where it was whole."""
        ...

    def record_frame(self, frame: FrameRecord) -> None:
        """Queue a frame."""
        ...

    def record_live(self, live: LiveRecord) -> None:
        """Queue a live correction."""
        ...

    def record_transition(self, transition: TransitionRecord) -> None:
        """Queue a change of what the service is doing."""
        ...

    def record_notice(self, notice: NoticeRecord) -> None:
        """Queue an event that was told."""
        ...

    def record_knob(self, knob: KnobRecord) -> None:
        """Queue what was learned of a knob."""
        ...

    def record_train(self, train: TrainRecord) -> None:
        """Queue what was learned of an optical train."""
        ...

    def record_bracket(self, bracket: BracketRecord) -> None:
        """Queue what a survey taught of a sensor's bracket."""
        ...

    def record_pointing(self, pointing: PointingRecord) -> None:
        """Queue what a star alignment found."""
        ...

    async def commit_survey(
        self, survey: SurveyRecord, frames: Sequence[FrameRecord]
    ) -> PolewrightError | None:
        """Keep a survey and its frames on the disk (bounded); return what prevented it."""
        ...

    async def commit_placement(self, placement: PlacementRecord) -> PolewrightError | None:
        """Keep where the feet stand on the disk (bounded); return what prevented it."""
        ...

    async def commit_plan(self, plan: PlanRecord) -> PolewrightError | None:
        """Keep a plan, or that there is none, on the disk (bounded); return what prevented it."""
        ...

    async def last_plan(self) -> PlanRecord | None:
        """Return what was kept last of a plan, where that can be read."""
        ...

    async def axis_moments(self, mount: str) -> tuple[Moment, ...] | None:
        """Return what happened to a mount's axis lately, in order; None: it cannot be read."""
        ...

    async def last_survey(self) -> SurveyRecord | None:
        """Return the last committed survey, where there is one that can be read."""
        ...

    async def lessons(self) -> Lessons:
        """Return what earlier evenings taught, nothing where it cannot be read."""
        ...
