"""``polewright pole`` as a person and a program meet it."""

import json
import math
import re

import pytest

from polewright.cli.main import main
from polewright.core.sky.polar_scope import View

TERRACE = ["--at", "-32.40,22.70,1250", "--time", "2026-11-25T21:30", "--zone", "+2"]
YARD = ["--at", "47.00,8.00,450", "--time", "2026-11-25T20:00", "--zone", "+1"]


@pytest.fixture(autouse=True)
def _nobodys_settings(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.delenv("POLEWRIGHT_CONFIG", raising=False)


def told(capsys, *arguments):
    assert main(["pole", *arguments]) == 0
    return capsys.readouterr().out


def told_json(capsys, *arguments):
    return json.loads(told(capsys, "--json", *arguments))


def _dial(text):
    """Return the rows inside the dial of the drawing."""
    lines = text.splitlines()
    top = next(i for i, line in enumerate(lines) if re.fullmatch(r"\+[-0-9]+\+", line))
    return [line[1:-1] for line in lines[top + 1 : top + 18]]


def _drawn_angle(dial, letter):
    """Return where a letter stands from the plus, clockwise from the top (deg), and how far."""
    place = {
        sign: (column, row)
        for row, line in enumerate(dial)
        for column, sign in enumerate(line)
        if sign in (letter, "+")
    }
    across = place[letter][0] - place["+"][0]
    down = place[letter][1] - place["+"][1]
    # A character is twice as high as wide, or 17 columns to 8 rows.
    right, up = across / 17.0, -down / 8.0
    return math.degrees(math.atan2(right, up)) % 360.0, math.hypot(across, 2 * down)


@pytest.mark.parametrize("view", [view.value for view in View])
@pytest.mark.parametrize("where", [TERRACE, YARD], ids=["south", "north"])
def test_the_drawing_says_what_the_words_say_and_fits_forty_columns(where, view, capsys):
    text = told(capsys, *where, "--view", view)
    assert max(len(line) for line in text.splitlines()) <= 40
    stars = told_json(capsys, *where, "--view", view)["stars"]
    clock = stars[0]["clock"]
    assert " ".join(text.split()).startswith(f"{stars[0]['name']} stands at {clock} on the clock")
    letters = {"Polaris": "P", "sigma Octantis": "S", "chi Octantis": "X", "tau Octantis": "T",
               "upsilon Octantis": "U"}  # fmt: skip
    dial = _dial(text)
    for star in stars:
        drawn, cells = _drawn_angle(dial, letters[star["name"]])
        apart = (drawn - star["clockwise_deg"] + 180.0) % 360.0 - 180.0
        # A star is drawn within half a character of its place.
        assert abs(apart) < math.degrees(math.atan2(1.2, cells))
        hour, minute = map(int, star["clock"].split(":"))
        hand = (30.0 * hour + 0.5 * minute) % 360.0
        assert abs((hand - star["clockwise_deg"] + 180.0) % 360.0 - 180.0) <= 0.25


def test_the_hemisphere_of_the_site_chooses_the_stars(capsys):
    south, north = told_json(capsys, *TERRACE), told_json(capsys, *YARD)
    assert [south["pole"], north["pole"]] == ["south", "north"]
    assert [star["name"] for star in south["stars"]] == [
        "sigma Octantis", "chi Octantis", "tau Octantis", "upsilon Octantis",
    ]  # fmt: skip
    assert [star["name"] for star in north["stars"]] == ["Polaris"]


def test_the_view_is_inverted_unless_another_is_asked_for(capsys):
    usual, upright = told_json(capsys, *YARD), told_json(capsys, *YARD, "--view", "upright")
    assert usual["view"] == "inverted"
    star, naked = usual["stars"][0], upright["stars"][0]
    assert star["clockwise_naked_eye_deg"] == naked["clockwise_deg"]
    assert (star["clockwise_deg"] - naked["clockwise_deg"]) % 360.0 == pytest.approx(180.0)


def test_while_the_sun_is_up_the_caution_comes_first(capsys):
    noon = [*YARD[:3], "2026-11-25T12:00", *YARD[4:]]
    assert " ".join(told(capsys, *noon).split()).startswith("THE SUN IS UP. No eye goes to a polar")
    assert told_json(capsys, *noon)["sun_up"]
    night = told(capsys, *YARD)
    assert "THE SUN IS UP" not in night
    assert "dim red light" in " ".join(night.split())
    assert "blinds at once" in " ".join(night.split())


def test_a_star_below_the_horizon_is_told(capsys):
    near_equator = ["--at=-0.5,22.7", "--time", "2026-11-25T10:00Z"]
    text = " ".join(told(capsys, *near_equator).split())
    low = told_json(capsys, *near_equator)["stars"][0]["altitude_deg"] < 2.0
    assert ("cannot be seen from here" in text) == low
    assert low


@pytest.mark.parametrize("where", [TERRACE, YARD], ids=["south", "north"])
def test_the_sheet_fetches_nothing_and_marks_now(where, capsys, tmp_path):
    file = tmp_path / "pole.html"
    told(capsys, *where, "--print", str(file))
    text = file.read_text("utf-8")
    assert not re.search(r"(?i)<script|<link|<img|<iframe|url\(|https?:|src=|href=|\son\w+=", text)
    assert text.index("No eye goes to a polar scope") < text.index("<svg")
    marked = re.findall(r'<tr><td class="mark">(\d\d:\d\d)</td><td class="mark">([^<]*)', text)
    clock = told_json(capsys, *where)["stars"][0]["clock"]
    assert marked == [(where[3][-5:], clock)]
