"""Lessons: what the mount and the optics taught, as a journal's tables hold it."""

import logging
import sqlite3
from collections.abc import Iterator
from typing import TypeVar

from polewright.adapters.journal.packing import DamagedRecordError, unpack
from polewright.core.axis.mechanical_floor import SurveyEvidence
from polewright.core.records import (
    BracketRecord,
    FrameRecord,
    KnobRecord,
    Lessons,
    PointingRecord,
    SurveyRecord,
    TrainRecord,
)

_log = logging.getLogger(__name__)

Record = TypeVar("Record")

# A mount is as it was lately: older surveys have no say on its mechanical floor, and reading
# them would keep a small computer waiting.
MOST_SURVEYS = 30
# Names that were tried once fill no memory: the newest so many knobs and trains.
_MOST_ROWS = 64

_KNOBS = (
    "SELECT record FROM knob WHERE id IN (SELECT max(id) FROM knob GROUP BY mount, bolt) "
    "ORDER BY id DESC LIMIT ?"
)
_TRAINS = (
    "SELECT record FROM train WHERE id IN "
    "(SELECT max(id) FROM train GROUP BY camera, width_px, height_px, pixel_size_um) "
    "ORDER BY id DESC LIMIT ?"
)
# Of each bracket of a mount the newest so many: a clamp that was bent is forgotten in time.
MOST_OF_A_BRACKET = 16
_BRACKETS = (
    "SELECT record FROM bracket AS one WHERE id IN (SELECT id FROM bracket WHERE mount = one.mount "
    f"AND bracket = one.bracket ORDER BY id DESC LIMIT {MOST_OF_A_BRACKET}) "
    "ORDER BY id DESC LIMIT ?"
)
# Of each mount and camera the newest so many: enough to see whether a mount finds its home again.
MOST_POINTINGS = 8
_POINTINGS = (
    "SELECT record FROM pointing AS one WHERE id IN (SELECT id FROM pointing "
    "WHERE mount = one.mount AND camera = one.camera "
    f"ORDER BY id DESC LIMIT {MOST_POINTINGS}) ORDER BY id DESC LIMIT ?"
)
_SURVEYS = "SELECT id, record FROM survey ORDER BY id DESC LIMIT ?"
_FRAMES = (
    "SELECT frame.record FROM survey_frame JOIN frame ON frame.id = frame_id "
    "WHERE survey_id = ? ORDER BY position"
)


def read_lessons(connection: sqlite3.Connection) -> Lessons:
    """Return the newest of everything; what is damaged is passed over."""
    return Lessons(
        knobs=tuple(_unpacked(KnobRecord, connection, _KNOBS))[::-1],
        trains=tuple(_unpacked(TrainRecord, connection, _TRAINS))[::-1],
        surveys=tuple(_evidence(connection))[::-1],
        brackets=tuple(_unpacked(BracketRecord, connection, _BRACKETS))[::-1],
        pointings=tuple(_unpacked(PointingRecord, connection, _POINTINGS))[::-1],
    )


def _unpacked(kind: type[Record], connection: sqlite3.Connection, query: str) -> Iterator[Record]:
    for (data,) in connection.execute(query, (_MOST_ROWS,)):
        try:
            yield unpack(kind, data)
        except DamagedRecordError as trouble:
            _log.warning("a %s in the journal is damaged, passed over: %s", kind.__name__, trouble)


def _evidence(connection: sqlite3.Connection) -> Iterator[tuple[str, SurveyEvidence]]:
    """Yield the surveys that say something of the floor: whole, with roll, none left out."""
    for number, data in connection.execute(_SURVEYS, (MOST_SURVEYS,)).fetchall():
        try:
            survey = unpack(SurveyRecord, data)
            if survey.estimate.rejected or not survey.estimate.roll_used:
                continue
            frames = [
                unpack(FrameRecord, frame) for (frame,) in connection.execute(_FRAMES, (number,))
            ]
        except DamagedRecordError:
            continue
        if len(frames) == len(survey.frame_keys):
            yield (
                survey.mount,
                SurveyEvidence(
                    attitudes=tuple(frame.observed for frame in frames),
                    weighed_with_arcsec=survey.mechanical_floor_arcsec,
                ),
            )
