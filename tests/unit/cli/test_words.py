"""What the command line says, as somebody reads it who is cold, tired and new to it."""

import argparse
import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from polewright.app.rehearsal import RehearsalReport
from polewright.cli.display import EveningView
from polewright.cli.main import main
from polewright.cli.output import Output
from polewright.cli.parser import parser
from polewright.cli.rehearsal import _lines
from polewright.cli.remote import turned_lines
from polewright.cli.surveying import survey_lines
from polewright.cli.watching import screenful
from tests.unit.test_watching import CORRECTION


def test_what_the_service_warns_of_stays_on_the_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    event = {
        "level": "warning",
        "text": "the stars are trails in 2 of the survey's 4 frames",
        "remedy": "Let the mount track; then: `polewright survey`",
    }
    with Output(as_json=False).progress("survey") as bar:
        bar.warn(event)
    with Output(as_json=True).progress("survey") as bar:
        bar.warn(event)
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("the stars are trails in 2 of the survey's 4 frames. Let the mount") == 1


SURVEY: dict[str, Any] = {
    "method": "stars", "target_pole": "refracted",
    "axis_altitude_deg": 33.0, "axis_azimuth_deg": 180.8,
    "altitude_error_arcmin": 36.4, "altitude_error_sigma_arcmin": 0.05,
    "azimuth_error_arcmin": 48.0, "azimuth_error_sigma_arcmin": 0.05,
    "azimuth_error_on_sky_arcmin": 40.5, "total_error_arcmin": 54.4,
    "total_error_sigma_arcmin": 0.06, "tolerance_arcmin": 1.0, "verdict": "not_yet",
    "frames": 3, "sweep_deg": 25.0,
}  # fmt: skip


def test_a_survey_says_the_verdict_what_each_bolt_has_to_undo_and_what_is_next():
    lines = survey_lines(SURVEY)
    assert lines[0].startswith("NOT YET")
    assert "1.00 is good enough" in lines[0]
    assert "lower the axis 36.4 arcmin" in lines[1]
    # In the south an azimuth that is too large is too far west: the head goes east.
    assert "toward the east (anticlockwise seen from above)" in lines[2]
    assert "polewright adjust" in lines[-1]
    assert "on the sky" not in " ".join(lines)


def test_a_survey_says_what_one_more_frame_would_have_gained():
    gains = survey_lines(SURVEY | {"further_frame_sigma_arcmin": 0.04})
    assert "  one more frame would give +- 0.04 arcmin instead of 0.06" in gains
    nothing = survey_lines(SURVEY | {"further_frame_sigma_arcmin": 0.059})
    assert "  one more frame would give hardly more certainty" in nothing
    assert "one more frame" not in " ".join(survey_lines(SURVEY))


def test_a_survey_says_that_directions_alone_decided_and_sights_by_day_do_not():
    words = "by directions alone"
    assert words in " ".join(survey_lines(SURVEY | {"roll_used": False}))
    assert words not in " ".join(survey_lines(SURVEY | {"roll_used": True}))
    assert words not in " ".join(survey_lines(SURVEY | {"roll_used": False, "method": "bodies"}))


@pytest.mark.parametrize(
    ("verdict", "words"), [("good_enough", "tighten the locks"), ("cannot_tell", "more turn")]
)
def test_every_verdict_of_a_survey_has_its_next_step(verdict: str, words: str):
    assert words in survey_lines(SURVEY | {"verdict": verdict})[-1]


def test_where_the_verdict_is_good_enough_no_bolt_is_said_to_be_hardly_known():
    small = {"altitude_error_arcmin": 0.04, "azimuth_error_arcmin": -0.05,
             "altitude_error_sigma_arcmin": 0.16, "azimuth_error_sigma_arcmin": 0.16,
             "total_error_arcmin": 0.06, "total_error_sigma_arcmin": 0.16}  # fmt: skip
    reach = {f"{bolt}_{name}_arcmin": value for bolt in ("altitude", "azimuth")
             for name, value in (("to_go", 0.04), ("margin", 0.32), ("room", 0.9))}  # fmt: skip
    for further in ({}, reach):
        good = " ".join(survey_lines(SURVEY | small | further | {"verdict": "good_enough"}))
        assert "leave the altitude as it is" in good
        assert "leave the azimuth as it is" in good
    coarse = {
        name: 0.01 if name.endswith("room_arcmin") else value for name, value in reach.items()
    }
    unsure = " ".join(survey_lines(SURVEY | small | coarse | {"verdict": "cannot_tell"}))
    assert "leave the altitude for now" in unsure


def test_an_azimuth_larger_than_the_whole_is_explained_where_it_shows():
    small = {"azimuth_error_on_sky_arcmin": 2.7, "azimuth_error_arcmin": -3.2,
             "altitude_error_arcmin": 1.4, "total_error_arcmin": 3.04}  # fmt: skip
    why = "3.20 arcmin of the head's turn move the axis by only 2.70 on the sky"
    assert why in " ".join(survey_lines(SURVEY | small))
    view = live(CORRECTION | small)
    assert why in " ".join(drawn(view, 80).split())


def live(correction: dict[str, Any]) -> EveningView:
    view = EveningView(monotonic=lambda: 10.0)
    view.take("availability", "online")
    view.take("state", {"state": "adjusting", "step": "turn the bolts"})
    view.take("correction", correction)
    return view


def drawn(view: EveningView, width: int, hint: str = "") -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, height=30, color_system=None)
    console.print(screenful(view, "kudu", console, hint), end="")
    return out.getvalue()


def test_the_status_of_an_adjustment_begins_with_its_verdict_and_both_bolts():
    lines = live(CORRECTION).lines()
    assert lines[0].startswith("NOT YET - turn on: off by 7.09 arcmin +- 0.10")
    assert lines[1].strip() == CORRECTION["altitude_words"]
    assert lines[2].strip() == CORRECTION["azimuth_words"]


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_the_display_and_how_to_leave_it_fit_every_usual_width(width: int):
    text = drawn(live(CORRECTION), width, "Ctrl-C leaves this display; the adjustment goes on")
    assert max(map(len, text.splitlines())) <= width
    words = " ".join(text.split())
    for said in ("NOT YET", "lower the axis 3.2 arcmin", "toward the east", "goes on"):
        assert said in words


def test_what_a_turn_did_is_said_without_signs():
    told = {
        "bolt": "altitude", "turns": -0.25, "went_arcmin": -1.2,
        "went_sigma_arcmin": 0.1, "arcmin_per_turn": 4.8,
        "arcmin_per_turn_sigma": 0.2, "slack_turns": 0.05, "doubtful": False,
    }  # fmt: skip
    lines = turned_lines(told)
    assert lines[0] == "altitude knob, 0.25 turn anticlockwise: lowered the axis by 1.20 arcmin"
    assert "4.80 arcmin (+- 0.20)" in lines[1]
    assert "sense of turning changes" in lines[2]
    first = told | {"bolt": "azimuth", "turns": 0.5, "went_arcmin": 3.0, "arcmin_per_turn": None}
    lines = turned_lines(first | {"slack_turns": 0.0, "doubtful": True})
    assert "turned the mount head 3.00 arcmin clockwise seen from above" in lines[0]
    assert "not known yet" in lines[1]
    assert "set aside" in lines[2]
    assert "nothing was seen to move" in turned_lines(told | {"went_arcmin": 0.05})[0]


def test_the_help_of_turned_says_what_plus_and_minus_mean():
    (verbs,) = (one for one in parser()._actions if isinstance(one, argparse._SubParsersAction))
    text = verbs.choices["turned"].format_help()
    assert "turned altitude 0.25    a quarter turn clockwise" in text
    assert "turned azimuth -0.5     half a turn anticlockwise" in text
    assert parser().parse_args(["turned", "azimuth", "-0.5"]).turns == -0.5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        # 1 px in 600 s at 1500 mm needs 12 arcsec, under the finest that is ever asked for.
        (("1500", "600"), ["0.25 arcmin (15 arcsec)", "No axis is held", "needs guiding"]),
        (("700", "600"), ["gears wander", "needs guiding"]),
        (("50", "60"), ["arcmin ("]),
    ],
)
def test_a_tolerance_says_its_units_and_where_a_plan_needs_guiding(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, str], words: list[str]
):
    focal_length, exposure = arguments
    plan = ["--focal-length", focal_length, "--pixel-size", "3.75", "--exposure", exposure]
    assert main(["tolerance", *plan]) == 0
    said = capsys.readouterr().out
    for one in words:
        assert one in said
    assert ("guiding:" in said) is ("needs guiding" in words)


def test_a_check_without_a_settings_file_says_where_it_looked(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
    monkeypatch.delenv("POLEWRIGHT_CONFIG", raising=False)
    assert main(["config", "check"]) == 0
    said = capsys.readouterr().out
    assert f"  {tmp_path}/polewright.toml\n" in said
    assert f"  {tmp_path}/own/polewright/polewright.toml\n" in said
    assert "polewright config init" in said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, "GOOD ENOUGH - the rehearsal succeeded: the axis is 3 arcsec off"),
        ({"final_true_arcsec": 40.0}, "NOT YET - the rehearsal failed"),
        ({"claimed_minus_true_sigmas": 5.0}, "but the service claimed"),
    ],
)
def test_a_rehearsal_ends_with_its_verdict_in_words(change: dict[str, float], words: str):
    figures: dict[str, Any] = {
        "site": "south", "seed": 5, "target_pole": "refracted", "initial_true_arcsec": 9000.0,
        "final_true_arcsec": 3.1, "final_claimed_arcsec": 3.2, "final_sigma_arcsec": 9.0,
        "claimed_minus_true_sigmas": 0.0, "frames": 19, "hand_moves": 7,
        "corrections_published": 16, "survey_arcmin": 149.8, "wall_s": 50.0,
    }  # fmt: skip
    assert words in _lines(RehearsalReport(**(figures | change)))[0]


@pytest.mark.parametrize(
    ("age", "words"),
    [
        ({}, "good enough"),
        ({"age_s": 7200.0}, "2.0 h old, from an earlier run"),
        (
            {"age_s": None},
            "from an earlier run, at a time that the service's clock has not reached",
        ),
    ],
)
def test_an_earlier_runs_survey_is_told_as_one_also_by_a_clock_that_stands_before_it(
    age: dict[str, Any], words: str
):
    view = EveningView(monotonic=lambda: 10.0)
    view.take("availability", "online")
    view.take("state", {"state": "idle", "step": "ready"})
    view.take("survey", SURVEY | {"verdict": "good_enough"} | age)
    told = " ".join(view.lines())
    assert words in told
    assert ("earlier run" in told) == bool(age)
