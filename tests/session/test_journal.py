"""What an evening keeps, what the next one finds, and that it computes to the same digits."""

import asyncio
import dataclasses
import json
import sqlite3
from dataclasses import fields
from datetime import timedelta

import numpy as np
import pytest

from polewright.adapters.journal.packing import pack, unpack
from polewright.adapters.journal.reading import open_reader
from polewright.adapters.journal.writing import SqliteJournal
from polewright.cli.main import main
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.geometry.rotations import rotation_about
from polewright.core.records import SurveyRecord
from polewright.session.evening import Evening
from polewright.session.keeping import KeptEvents, age_warning, age_words
from polewright.session.recomputing import (
    differing_corrections,
    differing_frames,
    differing_survey,
)
from polewright.session.survey import SurveyWish
from polewright.session.wishes import EveningWishes
from tests.session.ports_in_memory import (
    NIGHT,
    TERRACE,
    YARD,
    MemoryCamera,
    MemoryMount,
    MemoryPublisher,
    MemorySolver,
    VirtualClock,
)


class Rig:
    """One mount and its journal, over any number of evenings."""

    def __init__(self, file, place=TERRACE):
        self.file = file
        self.place = place
        self.clock = VirtualClock()
        tilt = rotation_about(np.array([0.6, 0.0, 0.8]), 40.0 * ARCMIN_RAD)
        declination = -70.0 if place.south else 70.0
        self.mount = MemoryMount(self.clock, place=place, head=tilt, declination=declination)
        self.solver = MemorySolver(self.mount, np.random.default_rng(3))
        self.camera = MemoryCamera(self.clock)
        self.publisher = MemoryPublisher()

    def evening(self, journal) -> Evening:
        self.publisher = MemoryPublisher()
        wishes = EveningWishes(
            wish_arcsec=0.5, survey=SurveyWish(frames=4, sweep_deg=60.0, settle_s=0.5)
        )
        told = KeptEvents(self.publisher, journal, self.clock)
        return Evening(self.solver, self.clock, told, wishes, journal)

    def journal(self, **more) -> SqliteJournal:
        return SqliteJournal(self.file, now=self.clock.now, **more)

    async def survey(self, surveys=1) -> Evening:
        async with self.journal() as journal:
            evening = self.evening(journal)
            await evening.restore()
            evening.attach(self.camera, self.mount, self.place)
            await evening.handle("confirm_clear", {})
            for _ in range(surveys):
                await evening.handle("survey", {})
        return evening

    async def next_evening(self, *, later_s: float) -> Evening:
        self.clock.elapsed_s += later_s
        async with self.journal() as journal:
            evening = self.evening(journal)
            await evening.restore()
        return evening


def same_records(one, other) -> bool:
    return pack(one) == pack(other)


@pytest.fixture
def rig(tmp_path):
    return Rig(tmp_path / "kudu.sqlite")


async def test_the_next_evening_begins_with_the_last_committed_survey_exactly(rig):
    surveyed = await rig.survey()
    before = rig.publisher.last("survey")
    restored = await rig.next_evening(later_s=3600.0)
    assert surveyed._memory.survey is not None
    assert same_records(restored._memory.survey, surveyed._memory.survey)
    told = rig.publisher.last("survey")
    assert told["age_s"] == pytest.approx(3600.0, abs=60.0)
    # What one more frame would have promised was for then, and its lines of the log are gone by.
    for_then = {"further_frame_sigma_arcmin", "cycle_id"}
    lasting = [name for name in before if name not in for_then]
    assert {name: told[name] for name in lasting} == {name: before[name] for name in lasting}


async def test_a_restored_survey_serves_an_adjustment_and_says_its_age(rig):
    await rig.survey()
    rig.clock.elapsed_s += 26 * 3600.0
    async with rig.journal() as journal:
        evening = rig.evening(journal)
        await evening.restore()
        evening.attach(rig.camera, rig.mount, rig.place)
        ended = asyncio.Event()

        def progress(message):
            if "correction" in message:
                ended.set()

        sleep = rig.camera.expose

        async def yielding(exposure_s):
            await asyncio.sleep(0)
            return await sleep(exposure_s)

        rig.camera.expose = yielding
        async with asyncio.TaskGroup() as tasks:
            adjusting = tasks.create_task(evening.handle("adjust", {}, progress))
            await asyncio.wait_for(ended.wait(), 10.0)
            await evening.stop()
        correction = rig.publisher.last("correction")
    assert adjusting.result()["stopped"]
    survey = rig.publisher.last("survey")
    assert correction["total_error_arcmin"] == pytest.approx(survey["total_error_arcmin"], abs=0.5)
    event = rig.publisher.last("event")
    assert event["code"] == "old_survey"
    assert "1 day old" in event["text"]
    with open_reader(rig.file) as reader:
        assert len(list(reader.live_of(1))) >= 1


async def test_without_a_committed_survey_nothing_is_claimed(rig):
    await rig.next_evening(later_s=0.0)
    assert all(topic != "survey" for topic, _, _ in rig.publisher.messages)


async def test_a_survey_that_failed_is_not_served_the_next_time(rig):
    await rig.survey()
    kept = rig.publisher.last("survey")
    rig.solver.clouds = 1000
    with pytest.raises(ExceptionGroup) as caught:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(rig.survey())
    assert caught.group_contains(MeasurementError)
    rig.solver.clouds = 0
    await rig.next_evening(later_s=60.0)
    assert rig.publisher.last("survey")["axis_azimuth_deg"] == kept["axis_azimuth_deg"]


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
async def test_every_kept_survey_computes_to_the_same_digits(tmp_path, place):
    rig = Rig(tmp_path / "kudu.sqlite", place)
    await rig.survey(surveys=3)
    with open_reader(rig.file) as reader:
        kept = list(reader.surveys())
        assert len(kept) == 3
        for survey in kept:
            frames = reader.frames_of(survey.number)
            assert len(frames) >= survey.record.estimate.frames >= 3
            assert differing_survey(survey.record, frames) == []
        assert differing_frames(list(reader.frames())) == []


async def test_a_replay_sees_one_changed_bit_of_one_star(rig):
    await rig.survey()
    with open_reader(rig.file) as reader:
        (kept,) = reader.surveys()
        frames = reader.frames_of(1)
    stars = np.array(frames[1].attitude.star_tangent)
    stars[5, 0] = np.nextafter(stars[5, 0], np.inf)
    changed = dataclasses.replace(frames[1].attitude, star_tangent=stars)
    frames[1] = dataclasses.replace(frames[1], attitude=changed)
    found = differing_survey(kept.record, frames)
    assert {one.of for one in found} >= {"frame 2", "axis"}
    assert all(one.largest is None or one.largest < 1e-9 for one in found)


async def test_a_replay_sees_another_tolerance_or_floor(rig):
    await rig.survey()
    with open_reader(rig.file) as reader:
        (kept,) = reader.surveys()
        frames = reader.frames_of(1)
    for change in ({"tolerance_arcsec": 61.0}, {"mechanical_floor_arcsec": 3.5}):
        assert differing_survey(dataclasses.replace(kept.record, **change), frames)


async def test_a_frame_left_out_by_the_survey_is_part_of_its_record(rig):
    original = rig.mount.slew_to

    async def slipping(right_ascension, declination):
        await original(right_ascension, declination)
        rig.mount.slip_arcsec = 300.0 if len(rig.mount.slews) == 2 else 0.0

    rig.mount.slew_to = slipping
    await rig.survey()
    with open_reader(rig.file) as reader:
        (kept,) = reader.surveys()
        frames = reader.frames_of(1)
    assert kept.record.estimate.rejected == ("frame 2",)
    assert [frame.observed.label for frame in frames][1] == "frame 2"
    assert differing_survey(kept.record, frames) == []


async def test_the_record_holds_what_the_survey_depended_on(rig):
    await rig.survey()
    with open_reader(rig.file) as reader:
        (kept,) = reader.surveys()
    record = kept.record
    assert record.place == TERRACE
    assert record.target_pole == "refracted"
    assert record.tolerance_arcsec == 60.0
    assert record.mechanical_floor_arcsec == 3.0
    assert record.versions["polewright"]
    assert record.versions["numpy"] == np.__version__
    assert {field.name for field in fields(SurveyRecord)} == {
        field.name for field in fields(unpack(SurveyRecord, pack(record)))
    }


async def test_each_change_of_phase_is_kept_with_its_reason(rig):
    await rig.survey()
    rows = sqlite3.connect(rig.file)
    try:
        seen = rows.execute("SELECT before, after, code FROM transition ORDER BY id").fetchall()
    finally:
        rows.close()
    assert seen == [("idle", "surveying", None), ("surveying", "idle", None)]


async def test_what_everybody_was_told_is_kept(rig):
    async with rig.journal() as journal:
        evening = rig.evening(journal)
        evening.attach(rig.camera, rig.mount, rig.place)
        with pytest.raises(PolewrightError):
            await evening.handle("survey", {})
        evening.warn("the clock was set", remedy="Look at it.", code="clock_jumped")
    told = [message for topic, message, _ in rig.publisher.messages if topic == "event"]
    assert [one["code"] for one in told][-1] == "clock_jumped"
    assert len(told) > 1, "the refusal is told as well"
    with open_reader(rig.file) as reader:
        (one_evening,) = reader.evenings()
        kept = [(one.level, one.code, one.text) for one in reader.notices(one_evening)]
    assert kept == [(one["level"], one["code"], one["text"]) for one in told]


@pytest.mark.parametrize(("elongation", "warnings"), [(2.6, 1), (1.3, 0), (float("nan"), 0)])
async def test_a_survey_on_trailed_frames_warns_once(rig, elongation, warnings):
    rig.solver.elongation = elongation
    await rig.survey()
    events = [message for topic, message, _ in rig.publisher.messages if topic == "event"]
    told = [event for event in events if event["code"] == "trailed_frames"]
    assert len(told) == warnings
    frames = rig.publisher.last("survey")["frames"]
    for event in told:
        assert event["level"] == "warning"
        assert f"in {frames} of the survey's {frames} frames, up to 2.6 times" in event["text"]


async def test_a_survey_that_cannot_be_kept_is_measured_and_told(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    rig = Rig(tmp_path / "file" / "kudu.sqlite")
    await rig.survey()
    assert rig.publisher.last("survey")["verdict"] == "not_yet"
    event = rig.publisher.last("event")
    assert event["code"] == "survey_not_kept"
    assert "restart" in event["text"]
    assert event["remedy"]


class TestCommandLine:
    @pytest.fixture
    def file(self, rig):
        asyncio.run(self._two_evenings(rig))
        return rig.file

    @staticmethod
    async def _two_evenings(rig):
        await rig.survey(surveys=2)
        rig.clock.elapsed_s += 86400.0
        await rig.survey()

    def test_history_lists_the_surveys_by_evening(self, file, capsys):
        assert main(["history", "--file", str(file)]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert [line.split()[0] for line in lines] == ["evening", "1", "2", "evening", "3"]
        assert "2026-11-26 20:0" in lines[4]
        assert "not yet, " in lines[4]

    def test_history_shows_one_survey_with_its_frames(self, file, capsys):
        assert main(["history", "show", "2", "--file", str(file)]) == 0
        text = capsys.readouterr().out
        assert text.count(" stars, ") >= 3
        assert "made by polewright" in text

    def test_history_says_which_frames_are_trailed(self, rig, capsys):
        rig.solver.elongation = 2.6
        asyncio.run(rig.survey())
        assert main(["history", "show", "1", "--file", str(rig.file)]) == 0
        lines = [line for line in capsys.readouterr().out.splitlines() if " stars, " in line]
        assert len(lines) >= 3
        assert all(line.endswith("trailed, stars 2.6 times longer than wide") for line in lines)
        assert main(["history", "show", "1", "--json", "--file", str(rig.file)]) == 0
        for frame in json.loads(capsys.readouterr().out)["frame_list"]:
            assert (frame["elongation"], frame["trailed"]) == (2.6, True)

    def test_history_tells_programs_the_full_digits(self, file, capsys):
        assert main(["history", "show", "3", "--json", "--file", str(file)]) == 0
        told = json.loads(capsys.readouterr().out)
        with open_reader(file) as reader:
            (kept,) = reader.surveys(3)
        assert told["total_error_arcmin"] == kept.record.correction.total_error_arcmin
        assert len(told["frame_list"]) == told["frames"] + told["rejected"]

    def test_a_replay_ends_well_only_where_the_digits_are_the_same(self, file, capsys):
        assert main(["history", "replay", "--file", str(file)]) == 0
        assert "3 of 3 surveys give the same digits" in capsys.readouterr().out
        with open_reader(file) as reader:
            (kept,) = reader.surveys(2)
        other = dataclasses.replace(kept.record, mechanical_floor_arcsec=2.0)
        writer = sqlite3.connect(file)
        with writer:
            writer.execute("UPDATE survey SET record = ? WHERE id = 2", (pack(other),))
        writer.close()
        assert main(["history", "replay", "--json", "--file", str(file)]) == 1
        told = json.loads(capsys.readouterr().out)
        assert [one["identical"] for one in told["surveys"]] == [True, False, True]
        assert main(["history", "replay", "3", "--file", str(file)]) == 0

    def test_a_damaged_survey_is_told_and_the_others_are_read(self, file, capsys):
        writer = sqlite3.connect(file)
        with writer:
            writer.execute("UPDATE survey SET record = zeroblob(300) WHERE id = 1")
        writer.close()
        assert main(["history", "--file", str(file)]) == 0
        assert "damaged" in capsys.readouterr().out
        assert main(["history", "show", "1", "--file", str(file)]) == 3
        assert main(["history", "replay", "--file", str(file)]) == 1
        capsys.readouterr()

    def test_export_writes_one_row_for_each_survey(self, file, tmp_path, capsys):
        target = tmp_path / "surveys.csv"
        assert main(["history", "export", str(target), "--file", str(file)]) == 0
        rows = target.read_text().splitlines()
        assert len(rows) == 4
        assert rows[0].startswith("number,evening,committed_at")
        capsys.readouterr()

    @pytest.mark.parametrize(
        "arguments",
        [["show"], ["show", "x"], ["show", "99"], ["replay", "99"], ["export"],
         ["export", "/nowhere/x.csv"]],
    )  # fmt: skip
    def test_a_wrong_use_is_one_line_with_a_remedy(self, file, arguments, capsys):
        assert main(["history", *arguments, "--file", str(file)]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1

    def test_a_missing_journal_is_told(self, tmp_path, capsys):
        assert main(["history", "--file", str(tmp_path / "none.sqlite")]) == 2
        assert "there is no journal" in capsys.readouterr().err


def test_ages_are_told_as_a_person_says_them():
    assert age_words(20.0) == "new"
    assert age_words(60.0) == "1 minute old"
    assert age_words(7300.0) == "2 hours old"
    assert age_words(200_000.0) == "2 days old"
    assert "clock" in age_words(None)


async def test_a_survey_warns_after_half_a_day_and_where_the_clock_stands_before_it(rig):
    surveyed = await rig.survey()
    estimate = surveyed._memory.survey
    assert age_warning(estimate, estimate.instant + timedelta(hours=11)) is None
    assert "13 hours old" in age_warning(estimate, estimate.instant + timedelta(hours=13))
    assert "clock" in age_warning(estimate, NIGHT - timedelta(days=300))


class TestAdjustment:
    """An adjustment while the bolts turn, kept and computed again."""

    @pytest.fixture
    async def adjusted(self, rig):
        async with rig.journal() as journal:
            evening = rig.evening(journal)
            evening.attach(rig.camera, rig.mount, rig.place)
            await evening.handle("confirm_clear", {})
            await evening.handle("survey", {})
            turns = iter([9.0, 4.0, 0.0, 0.0, 2.0, 0.0, 0.0])

            def turn(message):
                if "correction" in message:
                    vertical = np.array([0.0, 0.0, 1.0])
                    by = rotation_about(vertical, next(turns, 0.0) * ARCMIN_RAD)
                    rig.mount.head = by @ rig.mount.head

            await _some_corrections(rig, evening, 12, turn)
            await _some_corrections(rig, evening, 5, turn)
        return rig

    async def test_every_live_correction_computes_to_the_same_digits(self, adjusted):
        with open_reader(adjusted.file) as reader:
            (kept,) = reader.surveys()
            told = list(reader.live_of(1))
            found, count = differing_corrections(kept.record, told)
        assert found == []
        assert count == len(told) >= 17
        assert [live.sequence for live, _ in told].count(1) == 2
        totals = [live.correction.total_error_arcmin for live, _ in told]
        assert max(totals) - min(totals) > 5.0, "the bolts were really turned"

    async def test_a_correction_told_otherwise_is_seen(self, adjusted):
        with open_reader(adjusted.file) as reader:
            (kept,) = reader.surveys()
            told = list(reader.live_of(1))
        live, frame = told[6]
        told[6] = (dataclasses.replace(live, tracking=not live.tracking), frame)
        found, _ = differing_corrections(kept.record, told)
        assert found
        assert all("correction" in difference.of for difference in found)

    async def test_a_correction_that_is_lost_is_told_and_ends_its_run(self, adjusted):
        with open_reader(adjusted.file) as reader:
            (kept,) = reader.surveys()
            told = list(reader.live_of(1))
        for gap in (told[:3] + told[4:], [*told[:3], (None, None), *told[4:]]):
            found, count = differing_corrections(kept.record, gap)
            assert len(found) == 1
            first_run = [live.sequence for live, _ in told].index(1, 1)
            assert count == 3 + len(told) - first_run

    async def test_the_command_line_replays_them(self, adjusted, capsys):
        code = await asyncio.to_thread(main, ["history", "replay", "--file", str(adjusted.file)])
        assert code == 0
        assert "17 corrections after it" in capsys.readouterr().out


async def _some_corrections(rig, evening, count, on_message):
    """Adjust until ``count`` corrections have been told, then stop as a person does."""
    seen = 0
    expose = rig.camera.expose
    enough = asyncio.Event()

    async def yielding(exposure_s):
        if seen >= count:
            enough.set()
            await asyncio.Event().wait()
        return await expose(exposure_s)

    def progress(message):
        nonlocal seen
        seen += "correction" in message
        on_message(message)

    rig.camera.expose = yielding
    try:
        async with asyncio.TaskGroup() as tasks:
            adjusting = tasks.create_task(evening.handle("adjust", {}, progress))
            await asyncio.wait_for(enough.wait(), 30.0)
            await evening.stop()
    finally:
        rig.camera.expose = expose
    assert adjusting.result()["stopped"]
    assert seen == count


async def test_a_restored_survey_knows_where_declination_stood(rig):
    """The next evening an adjustment still tells that the survey is void."""
    await rig.survey()
    rig.mount.declination -= 5.0
    async with rig.journal() as journal:
        evening = rig.evening(journal)
        await evening.restore()
        evening.attach(rig.camera, rig.mount, rig.place)
        with pytest.raises(PolewrightError) as caught:
            await evening.handle("adjust", {})
    assert caught.value.code == "declination_moved"
