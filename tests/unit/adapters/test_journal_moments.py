"""What happened to an axis comes back in order: by the runs of the service, then by its clock."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from polewright.adapters.journal.moments import read_moments
from polewright.adapters.journal.store import JournalStore
from polewright.core.axis.stands import AxisSeen, BoltsFree, Placed
from polewright.core.records import TransitionRecord
from tests.unit.adapters.journal_records import (
    NIGHT,
    TERRACE,
    frame_record,
    live_record,
    placement_record,
    survey_record,
)


@pytest.fixture
def store(tmp_path):
    store = JournalStore(tmp_path / "kudu.sqlite", now=lambda: NIGHT)
    yield store
    store.close()


def minutes(count):
    return NIGHT + timedelta(minutes=count)


def survey(store, count, mount="Kudu"):
    frames = (frame_record(10 * count), frame_record(10 * count + 1))
    record = replace(survey_record(count, frames), mount=mount)
    store.commit_survey(record, frames)
    return record


def live(store, sequence, count):
    record = replace(live_record(sequence), at=minutes(count))
    store.add_live(record)
    return record


def adjusting(store, count, lasts_s=600.0):
    for at, before, after in (
        (minutes(count), "idle", "adjusting"),
        (minutes(count) + timedelta(seconds=lasts_s), "adjusting", "idle"),
    ):
        store.add_transition(TransitionRecord(at=at, before=before, after=after, happening="x"))


def test_an_evening_comes_back_in_order(store):
    store.add_placement(placement_record("terrace", mount="Kudu", new_marks=True))
    survey(store, 5)
    adjusting(store, 7)
    live(store, 1, 8)
    live(store, 2, 9)
    survey(store, 20)
    found = store.axis_moments("Kudu")
    assert [type(one) for one in found] == [Placed, AxisSeen, BoltsFree, AxisSeen, AxisSeen]
    assert found[0].new_marks
    assert [one.at for one in found[3:]] == [minutes(9), survey_record(20).committed_at]
    assert [one.corrected for one in found if isinstance(one, AxisSeen)] == [False, True, False]
    assert store.axis_moments("Eland") == ()


def test_an_axis_is_the_one_of_its_record(store):
    record = survey(store, 5)
    (seen,) = store.axis_moments("Kudu")
    correction = record.correction
    assert np.degrees(seen.altitude_rad) == pytest.approx(correction.axis_altitude_deg)
    assert np.degrees(seen.azimuth_rad) == pytest.approx(correction.axis_azimuth_deg)
    arcmin = np.radians(1 / 60)
    assert seen.altitude_error_rad / arcmin == pytest.approx(correction.altitude_error_arcmin)
    assert seen.azimuth_sigma_rad / arcmin == pytest.approx(correction.azimuth_error_sigma_arcmin)
    assert (seen.latitude_deg, seen.longitude_deg) == (TERRACE.latitude_deg, TERRACE.longitude_deg)


def test_an_adjustment_that_was_refused_at_once_turned_no_bolt(store):
    survey(store, 5)
    adjusting(store, 7, lasts_s=0.5)
    assert len(store.axis_moments("Kudu")) == 1


def test_an_adjustment_cut_off_by_a_power_cut_is_one(store):
    survey(store, 5)
    store.add_transition(
        TransitionRecord(at=minutes(7), before="idle", after="adjusting", happening="x")
    )
    assert isinstance(store.axis_moments("Kudu")[-1], BoltsFree)


def test_bolts_turned_by_word_are_free_and_no_new_stand(store):
    store.add_placement(placement_record("terrace", mount="Kudu"))
    again = placement_record(
        "terrace", at=minutes(2), mount="Kudu", stands_already=True, bolts_turned=True
    )
    store.add_placement(again)
    assert [type(one) for one in store.axis_moments("Kudu")] == [Placed, BoltsFree]


def test_a_clock_that_was_wrong_on_one_evening_mixes_up_no_others(tmp_path):
    for number in (5, 6):
        at = NIGHT + timedelta(days=(0, -9000)[number - 5])
        store = JournalStore(tmp_path / "kudu.sqlite", now=lambda: NIGHT)
        store.add_placement(placement_record(f"marks {number}", at=at, mount="Kudu"))
        survey(store, number)
        store.close()
    with closing(sqlite3.connect(tmp_path / "kudu.sqlite")) as connection:
        found = read_moments(connection)["Kudu"]
    assert [one.name for one in found if isinstance(one, Placed)] == ["marks 5", "marks 6"]


def test_what_is_damaged_is_passed_over_and_only_the_newest_are_read(store):
    for count in range(5, 9):
        survey(store, count)
        live(store, 1, count)
    store.add_placement(placement_record("terrace", mount="Kudu"))
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("UPDATE survey SET record = zeroblob(9) WHERE id = 4")
        other.execute("UPDATE placement SET record = zeroblob(9)")
        found = read_moments(other, most_surveys=2)["Kudu"]
    assert [one.at for one in found] == [minutes(7), survey_record(7).committed_at]
