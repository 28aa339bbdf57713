"""Keeping: what the evening hands to the journal, and what it takes from it the next time."""

import importlib.metadata
import logging
import platform
import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import lru_cache

from polewright import __version__
from polewright.core.axis.correction import Correction
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.stands import Moment
from polewright.core.errors import PolewrightError, UsageError
from polewright.core.geometry.rotations import Vector
from polewright.core.records import (
    BracketRecord,
    FrameRecord,
    KnobRecord,
    Lessons,
    LiveRecord,
    LiveSetting,
    NoticeRecord,
    PlacementRecord,
    PlanRecord,
    PointingRecord,
    SurveyRecord,
    TrainRecord,
    TransitionRecord,
)
from polewright.core.sky.instant import earth_orientation
from polewright.core.sky.place import Place
from polewright.ports import Clock, Journal, Publisher
from polewright.session.following import LiveCorrection, Standing
from polewright.session.measuring import Measured
from polewright.session.phases import Happening, Phase

_log = logging.getLogger(__name__)

# A survey of before this (s) may be of another evening: half a day.
OLD_AFTER_S = 12 * 3600.0
# Frames of one survey that are held until it is committed; settings allow 60.
_MOST_FRAMES = 500

_COMPUTING = ("numpy", "pyerfa", "astropy-iers-data")


class NoJournal:
    """Keeps nothing (implements :class:`polewright.ports.Journal`)."""

    trouble: PolewrightError | None = None
    put_aside: str | None = None

    def record_frame(self, frame: FrameRecord) -> None:
        """Do nothing."""

    def record_live(self, live: LiveRecord) -> None:
        """Do nothing."""

    def record_transition(self, transition: TransitionRecord) -> None:
        """Do nothing."""

    def record_notice(self, notice: NoticeRecord) -> None:
        """Do nothing."""

    def record_knob(self, knob: KnobRecord) -> None:
        """Do nothing."""

    def record_train(self, train: TrainRecord) -> None:
        """Do nothing."""

    def record_bracket(self, bracket: BracketRecord) -> None:
        """Do nothing."""

    def record_pointing(self, pointing: PointingRecord) -> None:
        """Do nothing."""

    async def commit_survey(
        self, survey: SurveyRecord, frames: Sequence[FrameRecord]
    ) -> PolewrightError | None:
        """Do nothing."""
        return None

    async def commit_placement(self, placement: PlacementRecord) -> PolewrightError | None:
        """Return that nothing is kept."""
        return UsageError(
            'the settings keep no journal ([journal] mode = "off"), so this is forgotten at once',
            remedy="Switch the journal on to have placements remembered.",
            code="no_journal",
        )

    async def commit_plan(self, plan: PlanRecord) -> PolewrightError | None:
        """Return that nothing is kept."""
        return UsageError(
            'the settings keep no journal ([journal] mode = "off"), so a restart forgets the plan',
            remedy="Switch the journal on, or write the plan into [plan].",
            code="no_journal",
        )

    async def last_plan(self) -> PlanRecord | None:
        """Return nothing."""
        return None

    async def axis_moments(self, mount: str) -> tuple[Moment, ...] | None:
        """Return nothing."""
        return ()

    async def last_survey(self) -> SurveyRecord | None:
        """Return None."""
        return None

    async def lessons(self) -> Lessons:
        """Return nothing."""
        return Lessons()


class KeptEvents:
    """Publishes, and hands events to the journal (implements :class:`ports.Publisher`)."""

    def __init__(self, publisher: Publisher, journal: Journal, clock: Clock) -> None:
        self._publisher = publisher
        self._journal = journal
        self._clock = clock

    def publish(self, topic: str, payload: object, *, retain: bool) -> None:
        """Queue one message; an event is kept as well."""
        if topic == "event" and isinstance(payload, Mapping):
            self._journal.record_notice(
                NoticeRecord(
                    at=self._clock.now(),
                    level=str(payload["level"]),
                    code=str(payload["code"]),
                    text=str(payload["text"]),
                )
            )
        self._publisher.publish(topic, payload, retain=retain)


class Keeper:
    """Makes records of what happens and hands them to the journal."""

    def __init__(self, journal: Journal, clock: Clock) -> None:
        self._journal = journal
        self._clock = clock
        self._frames: list[FrameRecord] | None = None
        self._last_key = ""

    def note_frame(self, measured: Measured, *, place: Place, camera: str) -> None:
        """Keep one solved frame."""
        record = FrameRecord(
            key=uuid.uuid4().hex,
            camera=camera,
            place=place,
            orientation=earth_orientation(measured.observed.instant),
            attitude=measured.attitude,
            observed=measured.observed,
        )
        self._last_key = record.key
        if self._frames is not None and len(self._frames) < _MOST_FRAMES:
            self._frames.append(record)
        self._journal.record_frame(record)

    def note_correction(self, live: LiveCorrection, setting: LiveSetting) -> None:
        """Keep one live correction, which is the newest frame's."""
        self._journal.record_live(
            LiveRecord(
                at=self._clock.now(),
                sequence=live.sequence,
                frame_key=self._last_key,
                tracking=live.tracking,
                held=live.held,
                setting=setting,
                correction=live.correction,
                moved=live.moved,
            )
        )

    def note_transition(
        self, before: Phase, after: Phase, happening: Happening, reason: PolewrightError | None
    ) -> None:
        """Keep one change of phase."""
        self._journal.record_transition(
            TransitionRecord(
                at=self._clock.now(),
                before=before.value,
                after=after.value,
                happening=happening.value,
                code=reason.code if reason else None,
            )
        )

    def begin_survey(self) -> None:
        """Hold the frames from now on: one of them may belong to the survey."""
        self._frames = []

    def elongations_of(self, estimate: AxisEstimate) -> list[float]:
        """Return how many times longer than wide the stars are, of each frame that it is from."""
        return [
            frame.attitude.elongation
            for frame in self._frames or ()
            if frame.observed.label in estimate.labels
        ]

    async def commit_survey(
        self,
        estimate: AxisEstimate,
        correction: Correction,
        place: Place,
        *,
        target_pole: str,
        target_enu: Vector,
        tolerance_arcsec: float,
        mechanical_floor_arcsec: float,
        standing: Standing,
        mount: str = "",
    ) -> PolewrightError | None:
        """Commit a survey with the frames that it was made from; return what prevented it."""
        labels = {*estimate.labels, *estimate.rejected}
        frames = [frame for frame in self._frames or () if frame.observed.label in labels]
        self._frames = None
        record = SurveyRecord(
            committed_at=self._clock.now(),
            place=place,
            target_pole=target_pole,
            target_enu=target_enu,
            tolerance_arcsec=tolerance_arcsec,
            mechanical_floor_arcsec=mechanical_floor_arcsec,
            frame_keys=tuple(frame.key for frame in frames),
            estimate=estimate,
            correction=correction,
            versions=computing_versions(),
            declination_deg=standing.declination_deg,
            pier_side=standing.pier_side.value,
            mount=mount,
            camera=standing.camera,
            scale_arcsec_px=standing.scale_arcsec_px,
        )
        return await self._journal.commit_survey(record, frames)

    async def commit_placement(
        self,
        name: str,
        place: Place,
        *,
        mount: str,
        new_marks: bool,
        stands_already: bool,
        bolts_turned: bool,
    ) -> PolewrightError | None:
        """Keep where the feet stand; return what prevented it."""
        return await self._journal.commit_placement(
            PlacementRecord(
                at=self._clock.now(),
                mount=mount,
                name=name,
                new_marks=new_marks,
                stands_already=stands_already,
                bolts_turned=bolts_turned,
                place=place,
            )
        )

    async def axis_moments(self, mount: str) -> tuple[Moment, ...] | None:
        """Return what happened to a mount's axis lately; None where it cannot be read."""
        return await self._journal.axis_moments(mount)

    async def last_survey(self) -> SurveyRecord | None:
        """Return the last committed survey."""
        return await self._journal.last_survey()


@lru_cache(maxsize=1)
def computing_versions() -> dict[str, str]:
    """Return the names and versions of everything that the digits depend on."""
    found = {"polewright": __version__, "machine": platform.machine()}
    for name in _COMPUTING:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found


def age_s(estimate: AxisEstimate, now: datetime) -> float | None:
    """Return a survey's age (s); None where the clock stands before it."""
    age = (now - estimate.instant).total_seconds()
    return age if age >= 0.0 else None


def age_words(age: float | None) -> str:
    """Return an age as a person says it."""
    if age is None:
        return "of a time that this clock has not reached yet"
    for unit_s, unit in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if age >= unit_s:
            count = round(age / unit_s)
            return f"{count} {unit}{'s' if count > 1 else ''} old"
    return "new"


def age_warning(estimate: AxisEstimate, now: datetime) -> str | None:
    """Return what to say of a survey that is too old to be believed unseen; None where it is not.

    What an adjustment needs of it is the axis as the camera sees it, which holds while
    declination and the camera are untouched, however long.
    """
    age = age_s(estimate, now)
    if age is not None and age <= OLD_AFTER_S:
        return None
    return (
        f"the survey is {age_words(age)}: its corrections are right only if declination and the "
        "camera have not been touched since"
    )
