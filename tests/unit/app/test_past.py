"""What the page tells of earlier evenings is what the journal keeps, read beside the event loop."""

import asyncio
import os
from datetime import timedelta
from pathlib import Path

import pytest

from polewright.adapters.journal.reading import open_reader
from polewright.app.past import MOST_EVENINGS, Past, overview_of
from polewright.core.axis.knobs import Bolt
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from tests.unit.adapters.journal_records import NIGHT
from tests.unit.cli.kept_evenings import Diarist, write_evenings


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_evenings(tmp_path_factory.mktemp("past") / "kudu.sqlite")


def test_evenings_knobs_and_marks_are_told_newest_first(journal: Path) -> None:
    with open_reader(journal) as reader:
        told = overview_of(reader)
        knob = next(one.knob for one in reader.knobs() if one.bolt is Bolt.ALTITUDE)
    # The last of five evenings has no survey; the first began 48 and 31 arcmin off.
    assert [one["number"] for one in told["evenings"]] == [4, 3, 2, 1]
    first = told["evenings"][-1]
    assert first["marks"] == ["terrace"]
    # Total: the azimuth counts by the cosine of the pole's altitude there, 32.4 deg.
    assert first["start_arcmin"] == pytest.approx((48.0**2 + (31.0 * 0.844) ** 2) ** 0.5, rel=0.01)
    assert first["end_arcmin"] < 0.3
    assert (first["tolerance_arcmin"], first["verdict"]) == (1.0, "good_enough")
    knobs = {(one["mount"], one["bolt"]): one["reports"] for one in told["knobs"]}
    (told_of_knob,) = knobs[("Kudu", "altitude")]
    assert knob.gain_rad is not None
    assert told_of_knob["arcmin_per_turn"] == pytest.approx(knob.gain_rad / ARCMIN_RAD)
    assert told_of_knob["slack_turns"] == knob.slack_turns
    (marks,) = told["placements"]
    assert [one["altitude_arcmin"] for one in marks["returns"]] == pytest.approx(
        [-12.0, -11.0, -13.5], abs=0.1
    )
    assert told["more_evenings"] == 0


def test_no_more_evenings_are_told_than_a_phone_shows(tmp_path: Path) -> None:
    diarist = Diarist(tmp_path / "long.sqlite")
    for day in range(MOST_EVENINGS + 2):
        diarist.evening(NIGHT + timedelta(days=day)).surveyed(1.0, 1.0)
    diarist.close()
    with open_reader(diarist.path) as reader:
        told = overview_of(reader)
    assert (len(told["evenings"]), told["more_evenings"]) == (MOST_EVENINGS, 2)


async def test_the_journal_is_read_again_only_after_it_was_written(journal: Path) -> None:
    past = Past(journal, "kudu")
    first = await past.overview()
    assert await past.overview() is first
    os.utime(journal)
    assert await past.overview() is not first


async def test_the_event_loop_goes_on_while_the_journal_is_read(journal: Path) -> None:
    past, beats = Past(journal, "kudu"), 0
    reading = asyncio.gather(past.overview(), past.report(1))
    while not reading.done():
        await asyncio.sleep(0)
        beats += 1
    _, page = await reading
    assert beats > 10
    assert page.startswith("<!doctype html>")
    assert "kudu: evening of" in page


@pytest.fixture
def broken(tmp_path: Path, journal: Path) -> Path:
    file = tmp_path / "broken.sqlite"
    file.write_bytes(journal.read_bytes()[:3000])
    return file


async def test_what_cannot_be_told_says_why(tmp_path: Path, journal: Path, broken: Path) -> None:
    with pytest.raises(UsageError) as refused:
        await Past(None, "kudu").overview()
    assert refused.value.code == "no_journal"
    with pytest.raises(UsageError) as refused:
        await Past(tmp_path / "none.sqlite", "kudu").overview()
    assert refused.value.code == "no_journal"
    with pytest.raises(UsageError) as refused:
        await Past(journal, "kudu").report(99)
    assert refused.value.code == "no_such_evening"
    with pytest.raises((MeasurementError, UsageError)):
        await Past(broken, "kudu").overview()
