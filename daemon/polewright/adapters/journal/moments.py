"""Moments: what happened to each mount's axis, in order, as a journal's tables hold it."""

import logging
import math
import sqlite3
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TypeVar

from polewright.adapters.journal.packing import DamagedRecordError, unpack
from polewright.core.axis.correction import Correction
from polewright.core.axis.stands import AxisSeen, BoltsFree, Moment, Placed
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.records import LiveRecord, PlacementRecord, SurveyRecord
from polewright.core.sky.place import Place

_log = logging.getLogger(__name__)

# An adjustment that ended sooner was refused: nobody has turned a bolt in that time.
_REFUSED_WITHIN = timedelta(seconds=3)

_SURVEYS = "SELECT id, evening_id, record FROM survey ORDER BY id DESC LIMIT ?"
_PLACEMENTS = "SELECT evening_id, record FROM placement ORDER BY id"
# The newest correction after each survey, by the index alone.
_LAST_CORRECTIONS = (
    "SELECT survey_id, evening_id, record FROM live WHERE id IN "
    "(SELECT max(id) FROM live WHERE survey_id >= ? GROUP BY survey_id)"
)
_TRANSITIONS = "SELECT evening_id, at, before, after FROM transition ORDER BY id"

Record = TypeVar("Record")

_Key = tuple[int, datetime]


def read_moments(
    connection: sqlite3.Connection, *, most_surveys: int = -1
) -> dict[str, tuple[Moment, ...]]:
    """Return the moments by mount's name; what is damaged is passed over.

    They are in the order of the runs of the service, and within one by its clock: a clock that was
    wrong on one evening mixes up no others.

    Parameters
    ----------
    most_surveys : int
        How many of the newest are read; negative: all.
    """
    mounts: dict[int, str] = {}
    found: dict[str, list[tuple[_Key, Moment]]] = {}
    for number, evening, data in connection.execute(_SURVEYS, (most_surveys,)):
        survey = _unpacked(SurveyRecord, data)
        if survey is not None:
            mounts[number] = survey.mount
            seen = axis_seen(survey.correction, survey.place, survey.committed_at)
            found.setdefault(survey.mount, []).append(((evening, seen.at), seen))
    oldest = min(mounts, default=0)
    for number, evening, data in connection.execute(_LAST_CORRECTIONS, (oldest,)):
        live = _unpacked(LiveRecord, data)
        if live is not None and number in mounts:
            seen = axis_seen(live.correction, live.setting.place, live.at, corrected=True)
            found[mounts[number]].append(((evening, seen.at), seen))
    for evening, data in connection.execute(_PLACEMENTS):
        said = _unpacked(PlacementRecord, data)
        if said is None:
            continue
        moments = found.setdefault(said.mount, [])
        if not said.stands_already:
            placed = Placed(at=said.at, name=said.name, new_marks=said.new_marks)
            moments.append(((evening, said.at), placed))
        if said.bolts_turned:
            moments.append(((evening, said.at), BoltsFree(at=said.at)))
    free = list(_bolts_free(connection))
    return {
        mount: tuple(moment for _, moment in sorted([*moments, *free], key=lambda each: each[0]))
        for mount, moments in found.items()
    }


def axis_seen(
    correction: Correction, place: Place, at: datetime, *, corrected: bool = False
) -> AxisSeen:
    """Return the axis that a correction tells of."""
    return AxisSeen(
        at=at,
        altitude_rad=math.radians(correction.axis_altitude_deg),
        azimuth_rad=math.radians(correction.axis_azimuth_deg),
        altitude_sigma_rad=correction.altitude_error_sigma_arcmin * ARCMIN_RAD,
        azimuth_sigma_rad=correction.azimuth_error_sigma_arcmin * ARCMIN_RAD,
        altitude_error_rad=correction.altitude_error_arcmin * ARCMIN_RAD,
        azimuth_error_rad=correction.azimuth_error_arcmin * ARCMIN_RAD,
        total_error_rad=correction.total_error_arcmin * ARCMIN_RAD,
        latitude_deg=place.latitude_deg,
        longitude_deg=place.longitude_deg,
        corrected=corrected,
    )


def _bolts_free(connection: sqlite3.Connection) -> Iterator[tuple[_Key, Moment]]:
    """Yield the beginnings of the adjustments, of whichever mount."""
    begun: tuple[int, datetime] | None = None
    for evening, at, before, after in connection.execute(_TRANSITIONS):
        try:
            instant = datetime.fromisoformat(at)
        except (TypeError, ValueError):
            continue
        if instant.tzinfo is None:
            continue
        if begun is not None:
            lasted = instant - begun[1]
            if (evening, before) != (begun[0], "adjusting") or lasted > _REFUSED_WITHIN:
                yield begun, BoltsFree(at=begun[1])
            begun = None
        if after == "adjusting":
            begun = (evening, instant)
    if begun is not None:
        yield begun, BoltsFree(at=begun[1])


def _unpacked(kind: type[Record], data: bytes) -> Record | None:
    try:
        return unpack(kind, data)
    except DamagedRecordError as trouble:
        _log.warning("a %s in the journal is damaged, passed over: %s", kind.__name__, trouble)
        return None
