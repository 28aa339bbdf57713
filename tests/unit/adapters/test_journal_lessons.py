"""What was learned comes back from the journal's tables: the newest of each, nothing mixed up."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from polewright.adapters.journal.lessons import MOST_OF_A_BRACKET, MOST_POINTINGS, MOST_SURVEYS
from polewright.adapters.journal.store import JournalStore
from polewright.core.axis.attitude_sensor import TOP_EDGE, SensorAxis
from polewright.core.axis.knobs import Bolt, Knob, after_turn
from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.imaging.optical_train import OpticalTrain, TrainKey
from polewright.core.records import BracketRecord, KnobRecord, PointingRecord, TrainRecord
from polewright.core.sky.place import Place
from tests.unit.adapters.journal_records import NIGHT, frame_record, survey_record

HOOPOE = TrainKey(camera="Hoopoe", width_px=1280, height_px=960, pixel_size_um=3.75)


@pytest.fixture
def store(tmp_path):
    store = JournalStore(tmp_path / "kudu.sqlite", now=lambda: NIGHT)
    yield store
    store.close()


def knob(number, mount="Kudu", bolt=Bolt.ALTITUDE):
    learned = after_turn(Knob(), 0.5, 0.001 * number, 1e-5)
    learned = after_turn(learned, 0.5, 0.001 * number, 1e-5)
    return KnobRecord(at=NIGHT + timedelta(seconds=number), mount=mount, bolt=bolt, knob=learned)


def train(number, key=HOOPOE):
    found = OpticalTrain(scale_arcsec_px=6.0 + number, mirrored=False, radial=0.001 * number)
    return TrainRecord(at=NIGHT + timedelta(seconds=number), key=key, train=found)


def test_of_each_mounts_knobs_the_newest_comes_back_to_the_digit(store):
    kept = [knob(1), knob(2, bolt=Bolt.AZIMUTH), knob(3, mount="Eland"), knob(4)]
    for record in kept:
        store.add_knob(record)
    assert store.lessons().knobs == (kept[1], kept[2], kept[3])


def test_a_knob_that_taught_nothing_comes_back_too(store):
    record = KnobRecord(at=NIGHT, mount="", bolt=Bolt.AZIMUTH, knob=Knob(last_sense=1.0))
    store.add_knob(record)
    assert store.lessons().knobs == (record,)


def test_other_binnings_are_other_trains(store):
    binned = replace(HOOPOE, width_px=640, height_px=480, pixel_size_um=7.5)
    unknown = replace(HOOPOE, pixel_size_um=None)
    for record in (train(1), train(2, binned), train(3, unknown), train(4, unknown), train(5)):
        store.add_train(record)
    found = store.lessons().trains
    assert [record.train.scale_arcsec_px for record in found] == [
        8.0,
        10.0,
        11.0,
    ]
    assert [record.key for record in found] == [binned, unknown, HOOPOE]


def test_a_damaged_row_is_passed_over(store):
    store.add_knob(knob(1))
    store.add_train(train(1))
    store.add_train(train(2, replace(HOOPOE, camera="Lapwing")))
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("UPDATE train SET record = x'00' WHERE camera = 'Hoopoe'")
    lessons = store.lessons()
    assert len(lessons.knobs) == 1
    assert [record.key.camera for record in lessons.trains] == ["Lapwing"]


def test_surveys_are_evidence_with_their_frames_the_floor_of_their_time_and_their_mount(store):
    frames = tuple(frame_record(number) for number in (1, 2, 3))
    record = replace(survey_record(1, frames), mount="Kudu", mechanical_floor_arcsec=4.5)
    store.commit_survey(record, frames)
    ((mount, evidence),) = store.lessons().surveys
    assert mount == "Kudu"
    assert evidence.weighed_with_arcsec == 4.5
    assert [one.label for one in evidence.attitudes] == ["frame 1", "frame 2", "frame 3"]


def test_surveys_without_roll_or_with_a_frame_left_out_are_no_evidence(store):
    """What remains of a survey whose worst frame was left out looks calmer than the mount is."""
    frames = tuple(frame_record(number) for number in (1, 2, 3))
    whole = survey_record(1, frames)
    for change in ({"rejected": ("frame 9",)}, {"roll_used": False}):
        record = replace(whole, estimate=replace(whole.estimate, **change))
        store.commit_survey(record, frames)
    assert store.lessons().surveys == ()


def test_only_the_newest_surveys_are_read(store):
    frames = (frame_record(1), frame_record(2))
    for number in range(MOST_SURVEYS + 3):
        floor = float(number + 1)
        store.commit_survey(
            replace(survey_record(number, frames), mechanical_floor_arcsec=floor), frames
        )
    found = [evidence.weighed_with_arcsec for _, evidence in store.lessons().surveys]
    assert found == [float(number) for number in range(4, MOST_SURVEYS + 4)]


def bracket(number, mount="Kudu", name="phone, along"):
    rng = np.random.default_rng(number)
    said = SensorAxis(
        axis_enu=np.array([0.0, 0.6, 0.8]),
        covariance_rad2=np.diag(rng.random(2)),
        enu_from_sensor=np.eye(3),
    )
    return BracketRecord(
        at=NIGHT + timedelta(seconds=number), mount=mount, bracket=name, held_sensor=TOP_EDGE,
        said=said, axis_enu=np.array([0.0, 0.8, 0.6]), covariance_rad2=np.diag(rng.random(2)),
    )  # fmt: skip


def test_what_surveys_taught_of_a_bracket_comes_back_whole_and_in_order(store):
    kept = [bracket(1), bracket(2, name="phone, square"), bracket(3, mount=""), bracket(4)]
    for record in kept:
        store.add_bracket(record)
    found = store.lessons().brackets
    assert [(one.at, one.mount, one.bracket) for one in found] == [
        (one.at, one.mount, one.bracket) for one in kept
    ]
    assert np.array_equal(found[3].said.covariance_rad2, kept[3].said.covariance_rad2)
    assert np.array_equal(found[3].covariance_rad2, kept[3].covariance_rad2)
    assert np.array_equal(found[0].held_sensor, TOP_EDGE)


def test_a_bracket_that_was_learned_long_ago_is_forgotten_and_crowds_out_no_other(store):
    store.add_bracket(bracket(0, name="clamp, fixed"))
    for number in range(1, MOST_OF_A_BRACKET + 4):
        store.add_bracket(bracket(number))
    found = store.lessons().brackets
    assert [one.bracket for one in found].count("clamp, fixed") == 1
    seconds = [(one.at - NIGHT).total_seconds() for one in found if one.bracket == "phone, along"]
    assert seconds == [float(number) for number in range(4, MOST_OF_A_BRACKET + 4)]


def pointing(number, mount="Kudu", camera="Hoopoe"):
    return PointingRecord(
        at=NIGHT + timedelta(days=number),
        mount=mount,
        camera=camera,
        place=Place(latitude_deg=-32.4, longitude_deg=22.7),
        terms=PointingTerms(cone_rad=1e-4 * number),
        covariance_rad2=np.eye(6) * 1e-10,
        fields=3,
        chi2=4.0,
        degrees_of_freedom=6,
        goto_arcsec=25.0,
        check_promised_arcsec=20.0,
        check_met_arcsec=14.0,
        syncs="once",
        from_home=True,
    )


def test_of_each_mount_and_camera_the_newest_star_alignments_come_back(store):
    for number in range(MOST_POINTINGS + 3):
        store.add_pointing(pointing(number))
    store.add_pointing(pointing(99, camera="Lapwing"))
    found = store.lessons().pointings
    ours = [one for one in found if one.camera == "Hoopoe"]
    assert [one.terms.cone_rad for one in ours] == pytest.approx(
        [1e-4 * number for number in range(3, MOST_POINTINGS + 3)]
    )
    assert len(found) == MOST_POINTINGS + 1
    np.testing.assert_array_equal(ours[0].covariance_rad2, np.eye(6) * 1e-10)
