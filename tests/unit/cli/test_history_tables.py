"""What `polewright history` tells of evenings, adjustments, placements and knobs, and writes."""

import csv
import json
from datetime import timedelta
from itertools import pairwise

import pytest
from astropy import units
from astropy.table import Table
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.journal.reading import evenings_of, open_reader
from polewright.cli.main import main
from tests.unit.adapters.journal_records import NIGHT
from tests.unit.cli.kept_evenings import Diarist, write_evenings, write_pier


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    return write_evenings(tmp_path_factory.mktemp("journal") / "kudu.sqlite")


@pytest.fixture(scope="module")
def pier(tmp_path_factory):
    return write_pier(tmp_path_factory.mktemp("journal") / "pier.sqlite")


@pytest.fixture
def said(capsys, journal):
    def say(*arguments, file=journal, code=0):
        assert main(["history", *map(str, arguments), "--file", str(file)]) == code
        told = capsys.readouterr()
        return told.out if code == 0 else told.err

    return say


@given(st.lists(st.integers(0, 10_000), unique=True))
def test_evenings_hold_every_instant_once_and_are_six_hours_apart(minutes):
    instants = [NIGHT + timedelta(minutes=each) for each in sorted(minutes)]
    evenings = evenings_of(instants)
    assert all(sum(one.holds(at) for one in evenings) == 1 for at in instants)
    assert [one.number for one in evenings] == list(range(1, len(evenings) + 1))
    assert all(later.began - one.ended > timedelta(hours=6) for one, later in pairwise(evenings))
    for one in evenings:
        of_it = [at for at in instants if one.holds(at)]
        assert all(b - a <= timedelta(hours=6) for a, b in pairwise(of_it))


def test_the_list_says_of_each_survey_what_became_of_it(said):
    lines = said().splitlines()
    assert lines[0] == "evening 1, 2026-11-25, terrace"
    assert "off by 54.61 arcmin +- 0.07 (altitude +48.00, azimuth -31.00)" in lines[1]
    assert lines[2].strip().startswith("adjusted from 54.61 to 0.20 arcmin +- 0.07")
    assert lines[2].endswith("good enough (40 corrections, 4 min)")


def test_evenings_tell_how_the_error_went_from_first_to_last(said):
    told = json.loads(said("evenings", "--json"))["evenings"]
    assert [one["number"] for one in told] == [1, 2, 3, 4, 5]
    assert told[0]["start_altitude_error_arcmin"] == pytest.approx(48.0)
    assert told[0]["end_altitude_error_arcmin"] == pytest.approx(0.15), "the survey after it"
    assert told[1]["end_total_error_arcmin"] == pytest.approx(0.17, abs=0.01)
    assert told[1]["marks"] == ["terrace"]
    assert told[4]["verdict"] is None, "the feet were put there, and clouds came"
    assert said("evenings").splitlines()[4] == "evening 5, 2026-12-23: no survey"


def test_an_adjustment_goes_from_its_survey_to_its_last_correction(said):
    told = json.loads(said("adjustments", "--json"))["adjustments"]
    assert [one["survey"] for one in told] == [1, 3, 4, 5]
    assert told[1]["start_altitude_error_arcmin"] == pytest.approx(-11.85)
    assert told[1]["end_altitude_error_arcmin"] == pytest.approx(0.15)
    assert told[1]["verdict"] == "good_enough"
    assert told[1]["corrections"] == 40
    assert json.loads(said("show", "3", "--json"))["adjustment"] == told[1]
    assert json.loads(said("show", "2", "--json"))["adjustment"] is None


def test_placements_tell_every_return_and_the_next_one(said):
    (told,) = json.loads(said("placements", "--json"))["placements"]
    assert told["marks"] == "terrace"
    assert told["stands"] == 5
    changes = [one["altitude_change_arcmin"] for one in told["returns"]]
    assert changes == pytest.approx([-12.0, -11.0, -13.5], abs=1e-6)
    assert told["altitude_change_arcmin"] == pytest.approx(-12.1667, abs=1e-3)
    assert told["altitude_spread_arcmin"] < told["altitude_wide_arcmin"]
    assert "3 returns measured" in said("placements")


def test_an_empty_journal_says_what_to_do(tmp_path, said):
    diarist = Diarist(tmp_path / "new.sqlite").evening(NIGHT)
    diarist.placed("yard")
    diarist.close()
    for action in ("list", "adjustments"):
        assert "yet" in said(action, file=diarist.path)
    assert "no return measured yet" in said("placements", file=diarist.path)


@pytest.mark.parametrize(
    ("of", "rows", "figure", "value"),
    [("surveys", 5, "altitude_error_arcmin", 48.0),
     ("adjustments", 4, "start_azimuth_error_arcmin", -31.0),
     ("evenings", 5, "end_altitude_error_arcmin", 0.15),
     ("placements", 3, "altitude_change_arcmin", -12.0),
     ("knobs", 2, "slack_turns", 0.1)],
)  # fmt: skip
def test_a_table_is_read_back_with_every_digit_and_its_units(
    said, tmp_path, of, rows, figure, value
):
    said("export", tmp_path / "table.csv", "--of", of)
    said("export", tmp_path / "table.ecsv", "--of", of)
    with (tmp_path / "table.csv").open() as file:
        plain = list(csv.DictReader(file))
    table = Table.read(tmp_path / "table.ecsv")
    assert len(plain) == len(table) == rows
    assert float(plain[0][figure]) == table[figure][0] == pytest.approx(value)
    assert set(plain[0]) == set(table.colnames)
    if figure.endswith("arcmin"):
        assert table[figure].unit == units.arcmin
    assert table.meta["table"] == of


def test_what_is_not_known_is_missing_in_a_table_and_no_zero(said, tmp_path):
    said("export", tmp_path / "table.ecsv", "--of", "evenings")
    table = Table.read(tmp_path / "table.ecsv")
    assert list(table["end_total_error_arcmin"].mask) == [False] * 4 + [True]


def test_a_table_of_no_known_kind_is_refused(said, tmp_path):
    assert ".ecsv" in said("export", tmp_path / "table.xlsx", code=2)
    assert ".csv" in said("export", code=2)


def test_the_plot_tells_how_fast_a_pier_sinks(said, pier, tmp_path):
    """It was written to sink by 0.2 arcmin a week, its bolts turned once in between."""
    told = json.loads(said("--plot", tmp_path / "pier.png", "--json", file=pier))
    altitude, azimuth = told["altitude"], told["azimuth"]
    assert abs(altitude["rate_arcmin_per_week"] + 0.2) < altitude["wide_arcmin_per_week"] < 0.05
    assert altitude["seen"]
    assert not azimuth["seen"]
    assert (tmp_path / "pier.png").read_bytes().startswith(b"\x89PNG")
    words = said("--plot", tmp_path / "pier.svg", file=pier)
    assert "azimuth +0.00 arcmin a week" in words
    assert "not told from standing still" in words


def test_a_plot_of_a_mount_that_is_moved_about_says_that_it_cannot_tell(said, tmp_path):
    told = said("--plot", tmp_path / "kudu.png")
    assert "cannot be told" in told
    assert (tmp_path / "kudu.png").exists()
    refused = said("--plot", tmp_path / "none.png", "--mount", "Eland", code=2)
    assert "Mounts in it: Kudu" in refused
    assert "cannot be written" in said("--plot", tmp_path / "plot.nothing", code=2)


def test_backup_and_restore_by_the_command_line(said, tmp_path):
    copy = tmp_path / "november.sqlite"
    assert "5 surveys, 15 frames" in said("--backup", copy)
    assert "there already" in said("--backup", copy, code=2)
    target = tmp_path / "kudu.sqlite"
    diarist = Diarist(target).evening(NIGHT)
    diarist.surveyed(1.0, 1.0)
    told = said("--restore", copy, file=target, code=3)
    assert "is in use" in told
    diarist.close()
    told = json.loads(said("--restore", copy, "--json", file=target))
    with open_reader(target) as reader:
        assert len(list(reader.surveys())) == 5
    with open_reader(tmp_path / told["set_aside"]) as reader:
        assert len(list(reader.surveys())) == 1
