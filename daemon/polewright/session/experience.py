"""Experience: what mounts and optics taught, taken from the journal and handed back to it."""

import asyncio
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from polewright.core.axis.attitude_sensor import Bracket, learn_bracket
from polewright.core.axis.knobs import Bolt, Knob, knob_as_set
from polewright.core.axis.mechanical_floor import FloorEstimate, SurveyEvidence, estimate_floor
from polewright.core.axis.pointing_priors import EarlierTerms, prior_from
from polewright.core.axis.sightings import PointingPrior
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.records import BracketRecord, KnobRecord, Lessons, PointingRecord, TrainRecord
from polewright.ports import Clock, Journal
from polewright.session.knob_reports import KnobReports
from polewright.session.optical_trains import OpticalTrains

_log = logging.getLogger(__name__)

# Surveys that teach of one bracket are of one way of holding where the axis differs by less.
_SAME_HOLD_RAD = 1e-6
# A clamp that was bent is forgotten in time.
_MOST_OF_A_BRACKET = 16
# A mount is as it was lately.
_MOST_POINTINGS = 8
# A service that runs for years goes on with the newest of all mounts and brackets.
MOST_REMEMBERED = 200


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
    _brackets: list[BracketRecord] = field(default_factory=list)
    _pointings: list[PointingRecord] = field(default_factory=list)

    async def restore(self) -> None:
        """Take up what the journal keeps."""
        lessons = await self.journal.lessons()
        for kept in lessons.trains:
            self.trains.remember(kept.key, kept.train)
        for record in lessons.knobs:
            self.knobs(record.mount).remember(record.bolt, record.knob, record.at)
        self._brackets = list(lessons.brackets)
        self._pointings = list(lessons.pointings)
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

    def bracket(self, mount: str, name: str, held_sensor: Vector, *, same_compass: bool) -> Bracket:
        """Return what is known of a bracket on a mount: learned, else as it is meant to hold.

        ``same_compass``: the azimuth comes from the compass, whose error surveys have learned
        with the bracket's.
        """
        records = [
            record
            for record in self._brackets
            if (record.mount, record.bracket) == (mount, name)
            and angle_between(record.held_sensor, held_sensor) < _SAME_HOLD_RAD
        ]
        return learned_bracket(records, held_sensor, same_compass=same_compass)

    def learn_bracket(self, record: BracketRecord) -> None:
        """Take up what a survey taught of a bracket, and keep it."""
        self._brackets = [*self._brackets, record][-MOST_REMEMBERED:]
        self.journal.record_bracket(record)
        _log.info(
            "the survey teaches how %r holds its sensor: %d so far",
            record.bracket, len([one for one in self._brackets if one.bracket == record.bracket]),
        )  # fmt: skip

    def pointing(self, mount: str, camera: str, *, at_home: bool) -> PointingPrior:
        """Return what earlier evenings taught of a mount's terms, the axis left aside.

        ``at_home``: nobody told the mount where it points since it was switched on, so that its
        zero points may be those of other evenings.
        """
        return pointing_prior(
            [one for one in self._pointings if (one.mount, one.camera) == (mount, camera)],
            at_home=at_home,
        )

    def learn_pointing(self, record: PointingRecord) -> None:
        """Take up what a star alignment found, and keep it."""
        self._pointings = [*self._pointings, record][-MOST_REMEMBERED:]
        self.journal.record_pointing(record)

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


def learned_bracket(
    records: Sequence[BracketRecord], held_sensor: Vector, *, same_compass: bool = True
) -> Bracket:
    """Return a bracket as its records show it; without any, as it is meant to hold."""
    held = Bracket.held(held_sensor)
    newest = records[-_MOST_OF_A_BRACKET:]
    if not newest:
        return held
    pairs = [(record.said, record.axis_enu, record.covariance_rad2) for record in newest]
    return learn_bracket(held, pairs, same_compass=same_compass)


def pointing_prior(records: Sequence[PointingRecord], *, at_home: bool = True) -> PointingPrior:
    """Return what star alignments of one mount and camera (oldest first) tell of the next."""
    newest = records[-_MOST_POINTINGS:]
    home = [one for one in newest if one.from_home] if at_home else []
    return prior_from(
        [EarlierTerms(terms=one.terms, covariance_rad2=one.covariance_rad2) for one in newest],
        homes=[one.terms for one in home],
    )
