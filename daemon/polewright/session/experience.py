"""Experience: what mounts and optics taught, taken from the journal and handed back to it."""

import asyncio
import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

from polewright.core.axis.knobs import Bolt, Knob, knob_as_set
from polewright.core.axis.mechanical_floor import FloorEstimate, SurveyEvidence, estimate_floor
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.records import KnobRecord, Lessons, TrainRecord
from polewright.ports import Clock, Journal
from polewright.session.knob_reports import KnobReports
from polewright.session.optical_trains import OpticalTrains

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Experience:
    """What is known beforehand of every mount and camera by its name.

    Parameters
    ----------
    journal : Journal
        Keeps it.
    clock : Clock
        Tells when something was learned.
    arcmin_per_turn : mapping, optional
        What the settings say of the knobs (arcmin per turn clockwise, signed), for knobs that
        nobody has reported yet.
    """

    journal: Journal
    clock: Clock
    arcmin_per_turn: Mapping[Bolt, float] = field(default_factory=dict)
    trains: OpticalTrains = field(default_factory=OpticalTrains)
    _floors: dict[str, FloorEstimate] = field(default_factory=dict)
    _knobs: dict[str, KnobReports] = field(default_factory=dict)

    async def restore(self) -> None:
        """Take up what the journal keeps."""
        lessons = await self.journal.lessons()
        for kept in lessons.trains:
            self.trains.remember(kept.key, kept.train)
        for record in lessons.knobs:
            self.knobs(record.mount).remember(record.bolt, record.knob, record.at)
        self._floors = await asyncio.to_thread(mechanical_floors, lessons)

    def knobs(self, mount: str) -> KnobReports:
        """Return what is known of a mount's knobs (empty name: turned by hand)."""
        if mount not in self._knobs:
            self._knobs[mount] = KnobReports(
                knobs={bolt: self._as_set(bolt) for bolt in Bolt},
                on_learned=partial(self._keep_knob, mount),
            )
        return self._knobs[mount]

    def floor(self, mount: str) -> FloorEstimate:
        """Return a mount's mechanical floor; the default where no survey says otherwise."""
        found = self._floors.get(mount) or estimate_floor(())
        if found.surveys:
            _log.info(
                "%s wanders by %.1f arcsec +- %.1f from frame to frame, as %d surveys show",
                mount or "the mount", found.floor_arcsec, found.sigma_arcsec, found.surveys,
            )  # fmt: skip
        return found

    def keep_trains(self) -> None:
        """Hand to the journal what frames taught since the last time."""
        for key, train in self.trains.news():
            self.journal.record_train(TrainRecord(at=self.clock.now(), key=key, train=train))

    def _keep_knob(self, mount: str, bolt: Bolt, knob: Knob) -> None:
        record = KnobRecord(at=self.clock.now(), mount=mount, bolt=bolt, knob=knob)
        self.journal.record_knob(record)

    def _as_set(self, bolt: Bolt) -> Knob:
        gain = self.arcmin_per_turn.get(bolt)
        return Knob() if gain is None else knob_as_set(gain * ARCMIN_RAD)


def mechanical_floors(lessons: Lessons) -> dict[str, FloorEstimate]:
    """Return the mechanical floor of every mount that the surveys name."""
    evidence: dict[str, list[SurveyEvidence]] = {}
    for mount, survey in lessons.surveys:
        evidence.setdefault(mount, []).append(survey)
    return {mount: estimate_floor(surveys) for mount, surveys in evidence.items()}
