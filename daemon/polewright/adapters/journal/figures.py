"""What the journal keeps, as rows of named figures: for programs, tables, the report, the page."""

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from polewright.adapters.journal.reading import (
    JournalReader,
    KeptAdjustment,
    KeptEvening,
    KeptSurvey,
)
from polewright.core.axis.correction import Correction
from polewright.core.axis.placements import Return, Start, expected_start, returns_to
from polewright.core.axis.stands import Stand, name_key, stands_of
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between
from polewright.core.records import BracketRecord, KnobRecord
from polewright.session.experience import learned_bracket

SURVEY_COLUMNS = (
    "number", "evening", "committed_at", "measured_at", "method", "target_pole",
    "tolerance_arcmin", "latitude_deg", "longitude_deg", "axis_altitude_deg", "axis_azimuth_deg",
    "altitude_error_arcmin", "altitude_error_sigma_arcmin", "azimuth_error_arcmin",
    "azimuth_error_sigma_arcmin", "total_error_arcmin", "total_error_sigma_arcmin", "verdict",
    "frames", "rejected", "chi2", "degrees_of_freedom", "software", "mount", "marks",
)  # fmt: skip

_ERRORS = (
    "altitude_error_arcmin", "altitude_error_sigma_arcmin", "azimuth_error_arcmin",
    "azimuth_error_sigma_arcmin", "total_error_arcmin", "total_error_sigma_arcmin",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Everything of a journal but its frames and its single corrections."""

    evenings: tuple[KeptEvening, ...]
    surveys: tuple[KeptSurvey, ...]
    adjustments: Mapping[int, KeptAdjustment]
    stands: Mapping[str, tuple[Stand, ...]]
    _evening_of: Mapping[int, KeptEvening]
    _marks_of: Mapping[int, str]

    @classmethod
    def read(cls, reader: JournalReader) -> "Kept":
        """Read it."""
        evenings = tuple(reader.evenings())
        surveys = tuple(reader.surveys())
        stands = {mount: stands_of(moments) for mount, moments in reader.moments().items()}
        begins = [evening.began for evening in evenings]
        marks = {
            (mount, seen.at): stand.name
            for mount, of_mount in stands.items()
            for stand in of_mount
            for spell in stand.spells
            for seen in spell
            if not seen.corrected
        }
        whole = [(one.number, one.record) for one in surveys if one.record is not None]
        return cls(
            evenings=evenings,
            surveys=surveys,
            adjustments={one.survey: one for one in reader.adjustments()},
            stands=stands,
            _evening_of={
                number: evenings[bisect_right(begins, record.committed_at) - 1]
                for number, record in whole
            },
            _marks_of={
                number: marks.get((record.mount, record.committed_at), "")
                for number, record in whole
            },
        )

    def evening_of(self, survey: KeptSurvey) -> KeptEvening | None:
        """Return a survey's evening; None for a damaged survey."""
        return self._evening_of.get(survey.number)

    def marks_of(self, survey: KeptSurvey) -> str:
        """Return the name of the marks on which the feet stood; empty where nobody named any."""
        return self._marks_of.get(survey.number, "")

    def surveys_of(self, evening: KeptEvening) -> list[KeptSurvey]:
        """Return an evening's surveys in order, the damaged ones left out."""
        return [one for one in self.surveys if self._evening_of.get(one.number) is evening]


def survey_figures(kept: Kept, survey: KeptSurvey) -> dict[str, Any]:
    """Return a survey's figures by name, nothing rounded."""
    record = survey.record
    evening = kept.evening_of(survey)
    number = evening.number if evening is not None else None
    if record is None:
        return {"number": survey.number, "evening": number, "verdict": "damaged"}
    correction, estimate = record.correction, record.estimate
    figures = {
        "number": survey.number,
        "evening": number,
        "committed_at": record.committed_at.isoformat(),
        "measured_at": estimate.instant.isoformat(),
        "method": estimate.method.value,
        "target_pole": record.target_pole,
        "latitude_deg": record.place.latitude_deg,
        "longitude_deg": record.place.longitude_deg,
        "verdict": correction.verdict.value,
        "frames": estimate.frames,
        "rejected": len(estimate.rejected),
        "chi2": estimate.chi2,
        "degrees_of_freedom": estimate.degrees_of_freedom,
        "software": record.versions.get("polewright", ""),
        "mount": record.mount,
        "marks": kept.marks_of(survey),
    }
    return {
        name: figures[name] if name in figures else getattr(correction, name)
        for name in SURVEY_COLUMNS
    }


def adjustment_figures(kept: Kept, survey: KeptSurvey) -> dict[str, Any] | None:
    """Return how the error went from a survey to the last correction after it; None: not at all."""
    adjustment, record = kept.adjustments.get(survey.number), survey.record
    if adjustment is None or record is None:
        return None
    last = adjustment.ended
    evening = kept.evening_of(survey)
    return {
        "survey": survey.number,
        "evening": evening.number if evening is not None else None,
        "mount": record.mount,
        "marks": kept.marks_of(survey),
        "began_at": adjustment.began.at.isoformat(),
        "ended_at": last.at.isoformat(),
        "corrections": adjustment.corrections,
        "target_pole": last.setting.target_pole,
        "tolerance_arcmin": last.correction.tolerance_arcmin,
        **_errors("start", record.correction),
        **_errors("end", last.correction),
        "verdict": last.correction.verdict.value,
    }


def evening_figures(kept: Kept, evening: KeptEvening) -> dict[str, Any]:
    """Return an evening's figures: its surveys, and the first and the last axis seen in it."""
    surveys = kept.surveys_of(evening)
    whole = [one.record for one in surveys if one.record is not None]
    ends = [kept.adjustments[one.number].ended for one in surveys if one.number in kept.adjustments]
    looks = [(one.committed_at, one.correction) for one in whole]
    looks += [(one.at, one.correction) for one in ends]
    looks.sort(key=lambda look: look[0])
    figures: dict[str, Any] = {
        "number": evening.number,
        "began_at": evening.began.isoformat(),
        "ended_at": evening.ended.isoformat(),
        "surveys": [one.number for one in surveys],
        "mounts": sorted({one.mount for one in whole}),
        "marks": sorted({name for one in surveys if (name := kept.marks_of(one))}),
        "verdict": looks[-1][1].verdict.value if looks else None,
    }
    if looks:
        figures |= {**_errors("start", looks[0][1]), **_errors("end", looks[-1][1])}
    return figures


def knob_figures(record: KnobRecord) -> dict[str, Any]:
    """Return what was known of a knob after a report."""
    knob = record.knob
    known = knob.gain_rad is not None
    return {
        "mount": record.mount,
        "bolt": record.bolt.value,
        "at": record.at.isoformat(),
        "arcmin_per_turn": knob.gain_rad / ARCMIN_RAD if knob.gain_rad is not None else None,
        "arcmin_per_turn_sigma": knob.gain_sigma_rad / ARCMIN_RAD if known else None,
        "slack_turns": knob.slack_turns,
        "slack_sigma_turns": knob.slack_sigma_turns,
        "turns": len(knob.moves),
        "doubtful": knob.doubtful is not None,
    }


def bracket_row(record: BracketRecord) -> dict[str, Any]:
    """Return what one survey taught of a bracket: by how much the sensor was off (arcmin)."""
    east, north, up = (float(part) for part in record.said.axis_enu - record.axis_enu)
    return {
        "mount": record.mount,
        "bracket": record.bracket,
        "at": record.at.isoformat(),
        "sensor_off_east_arcmin": east / ARCMIN_RAD,
        "sensor_off_north_arcmin": north / ARCMIN_RAD,
        "sensor_off_up_arcmin": up / ARCMIN_RAD,
    }


def by_bracket(records: Sequence[BracketRecord]) -> list[list[BracketRecord]]:
    """Return the records of each bracket of each mount, oldest first."""
    found: dict[tuple[str, str], list[BracketRecord]] = {}
    for record in records:
        found.setdefault((record.mount, record.bracket), []).append(record)
    return list(found.values())


def bracket_figures(records: Sequence[BracketRecord]) -> dict[str, Any]:
    """Return what is known of one bracket of one mount."""
    newest = records[-1]
    learned = learned_bracket(records, newest.held_sensor)
    across = np.linalg.eigvalsh(learned.covariance_rad2)
    return {
        "mount": newest.mount,
        "bracket": newest.bracket,
        "at": newest.at.isoformat(),
        "surveys": learned.surveys,
        "off_deg": math.degrees(angle_between(learned.axis_sensor, newest.held_sensor)),
        "best_sigma_deg": math.degrees(math.sqrt(across[0])),
        "worst_sigma_deg": math.degrees(math.sqrt(across[-1])),
        "spread_deg": math.degrees(learned.spread_rad) if learned.surveys > 1 else None,
    }


def return_figures(mount: str, one: Return) -> dict[str, Any]:
    """Return what one return to marks changed, and how the axis was found."""
    found = one.stand.found
    assert found is not None
    return {
        "mount": mount,
        "marks": one.stand.name,
        "placed_at": one.stand.since.isoformat(),
        "measured_at": found.at.isoformat(),
        "altitude_change_arcmin": one.change.altitude_rad / ARCMIN_RAD,
        "azimuth_change_arcmin": one.change.azimuth_rad / ARCMIN_RAD,
        "altitude_error_arcmin": found.altitude_error_rad / ARCMIN_RAD,
        "azimuth_error_arcmin": found.azimuth_error_rad / ARCMIN_RAD,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class MarksKnown:
    """One set of marks of one mount, its measured returns, and the next start."""

    mount: str
    name: str
    stands: int
    returns: tuple[Return, ...]
    start: Start | None


def marks_known(stands: Mapping[str, Sequence[Stand]]) -> list[MarksKnown]:
    """Return every set of marks, by mount and name."""
    found: list[MarksKnown] = []
    for mount, of_mount in sorted(stands.items()):
        names = {name_key(stand.name): stand.name for stand in of_mount if stand.name}
        found += [
            MarksKnown(
                mount=mount,
                name=name,
                stands=sum(name_key(stand.name) == key for stand in of_mount),
                returns=returns_to(name, of_mount),
                start=expected_start(name, of_mount),
            )
            for key, name in sorted(names.items())
        ]
    return found


def _errors(prefix: str, correction: Correction) -> dict[str, Any]:
    return {f"{prefix}_{name}": getattr(correction, name) for name in _ERRORS}
