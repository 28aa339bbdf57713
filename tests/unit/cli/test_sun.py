"""``polewright sun`` as a person and a program meet it."""

import contextlib
import functools
import io
import json
import math
import re
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from polewright.app.printing import sheet
from polewright.cli.main import main
from polewright.core.sky.place import Place
from polewright.core.sky.sun_aids import local_noon, stick_sigma_rad, sun_day
from tests.docs.blocks import ROOT

TERRACE = ["--at", "-32.40,22.70,1250", "--time", "2026-11-25T10:30", "--zone", "+2"]
YARD = ["--at", "47.00,8.00,450", "--time", "2026-11-25T10:30", "--zone", "+1"]
TROPICS = ["--at", "10,8", "--time", "2026-06-21T10:30Z", "--zone", "UTC"]


@pytest.fixture(autouse=True)
def _nobodys_settings(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("POLEWRIGHT_CONFIG", raising=False)


def told(capsys, *arguments):
    assert main(["sun", *arguments]) == 0
    return capsys.readouterr().out


@functools.cache
def told_and_printed(*arguments):
    """What is said, and the sheet that is printed with it: the same each time for one occasion."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "sun.html"
        with contextlib.redirect_stdout(io.StringIO()) as said:
            assert main(["sun", *arguments, "--print", str(file)]) == 0
        return said.getvalue(), file.read_text("utf-8")


def told_json(capsys, *arguments):
    return json.loads(told(capsys, "--json", *arguments))


@pytest.mark.parametrize("where", [TERRACE, YARD, TROPICS], ids=["south", "north", "tropics"])
def test_the_caution_is_the_first_thing_that_is_said(where):
    said, printed = told_and_printed(*where)
    assert said.startswith("NEVER LOOK AT THE SUN")
    text = re.sub(r"<[^>]+>", "", printed.split("</h1>")[1]).strip()
    assert text.startswith("NEVER LOOK AT THE SUN")


@pytest.mark.parametrize(
    ("where", "end"),
    [(TERRACE, "south"), (YARD, "north"), (TROPICS, "south")],
    ids=["south", "north", "tropics in June"],
)
def test_noon_names_the_end_of_the_meridian_to_which_the_shadow_points(where, end):
    """At 10 deg north in June the Sun culminates in the north: the shadow points south."""
    assert f"points to true {end}" in " ".join(told_and_printed(*where)[0].split())


@pytest.mark.parametrize("where", [TERRACE, YARD, TROPICS], ids=["south", "north", "tropics"])
def test_turning_as_every_row_tells_ends_on_the_meridian(where, capsys):
    result = told_json(capsys, *where, "--every", "30", "--hours", "8")
    rows = result["table"]
    assert result["caution"].startswith("NEVER LOOK AT THE SUN")
    assert result["noon"]["shadow"]["clockwise_to_meridian_deg"] == pytest.approx(0.0, abs=0.02)
    assert len(rows) > 8
    for row in rows:
        shadow = row["shadow"]
        assert (shadow["azimuth_deg"] - row["azimuth_deg"]) % 360.0 == pytest.approx(180.0)
        after = shadow["azimuth_deg"] + shadow["clockwise_to_meridian_deg"]
        end = {"north": 0.0, "south": 180.0}[shadow["meridian_end"]]
        assert (after - end + 90.0) % 360.0 - 90.0 == pytest.approx(0.0, abs=1e-9)
        angle = math.radians(abs(shadow["clockwise_to_meridian_deg"]))
        # law of cosines, both strings of length 1
        assert shadow["across_per_length"] ** 2 == pytest.approx(2.0 - 2.0 * math.cos(angle))


def test_the_table_stands_on_whole_minutes_of_the_local_clock(capsys):
    text = told(capsys, *YARD[:3], "2026-11-25T10:33:20", *YARD[4:], "--every", "1", "--hours", "1")
    times = re.findall(r"^(\d\d:\d\d)  ", text, re.MULTILINE)
    assert times[:3] == ["10:34", "10:35", "10:36"]
    assert len(times) == 60


def test_by_night_the_table_begins_with_the_next_sunrise(capsys):
    told_all = told_json(capsys, "--at", "47,8,450", "--time", "2026-11-25T20:30Z")
    assert told_all["sun"]["shadow"] is None
    place = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
    rise = sun_day(place, datetime(2026, 11, 26, 11, tzinfo=UTC)).sunrise
    first = datetime.fromisoformat(told_all["table"][0]["instant"].replace("Z", "+00:00"))
    assert timedelta(0) <= first - rise < timedelta(minutes=20)


def test_a_polar_night_and_a_polar_day_are_told_in_words(capsys, tmp_path):
    night = told(capsys, "--at", "78,15", "--time", "2026-12-21T11:00Z", "--zone", "UTC")
    assert "does not rise within a day" in night
    assert "the Sun stays below the horizon" in night
    file = tmp_path / "sun.html"
    day = told(
        capsys, "--at", "78,15", "--time", "2026-06-21T11:00Z", "--zone", "UTC",
        "--print", str(file), "--every", "60",
    )  # fmt: skip
    assert "sunset never" in day.lower()
    assert file.read_text("utf-8").count("<tr><td>") == 24


def test_a_body_near_the_sun_is_told_with_danger_and_without_a_time_to_look(capsys):
    """Source: Venus passed the Sun (inferior conjunction) on 2026-10-24 (almanacs)."""
    near = told(capsys, *TERRACE[:3], "2026-10-24T12:00", *TERRACE[4:])
    assert re.search(r"Venus: now.*\n(?:  .*\n)*  DANGER: closer to the Sun than 20 deg", near)
    bodies = told_json(capsys, *TERRACE[:3], "2026-10-24T12:00", *TERRACE[4:])["bodies"]
    venus = next(body for body in bodies if body["body"] == "venus")
    assert venus["near_sun"]
    assert venus["from_sun_deg"] < 10.0
    assert sum(body["near_sun"] for body in bodies) == 1


def test_the_compass_reads_true_south_at_180_less_the_declination(capsys):
    compass = told_json(capsys, *TERRACE)["compass"]
    reads = compass["true_south_reads_deg"]
    assert reads + compass["declination_deg"] == pytest.approx(180.0)
    assert 0.2 < compass["declination_sigma_deg"] < 1.0
    text = " ".join(told_and_printed(*TERRACE)[0].split())
    assert f"true south stands at {reads:.1f} on its dial" in text


def test_the_sheet_fetches_nothing_runs_nothing_and_is_black_on_white():
    _, text = told_and_printed(*TERRACE)
    assert not re.search(r"(?i)<script|<link|<img|<iframe|url\(|https?:|src=|href=|\son\w+=", text)
    assert "color: #000; background: #fff" in text
    noon = local_noon(
        Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0),
        datetime(2026, 11, 25, 10, tzinfo=UTC),
    )
    assert f"{noon + timedelta(hours=2):%H:%M:%S}" in text
    # sunrise 05:16 to sunset 19:17, every 10 min
    assert text.count("<tr><td>") == 84


def test_what_a_person_named_is_shown_as_text():
    assert "<b>x</b>" not in sheet("<b>x</b>", "<b>x</b>", "")


def test_the_settings_site_is_used_where_no_place_is_given(capsys, tmp_path):
    (tmp_path / "polewright.toml").write_text(
        '[site]\nname = "Thornveld <i>Terrace"\nlatitude_deg = -32.40\nlongitude_deg = 22.70\n'
    )
    file = tmp_path / "sun.html"
    text = told(capsys, "--time", "2026-11-25T10:30Z", "--print", str(file))
    assert "Thornveld <i>Terrace (32.4000 S, 22.7000 E" in text
    assert "Thornveld &lt;i&gt;Terrace" in file.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ([], "no_place"),
        (["--at", "47"], "wrong_place"),
        (["--at", "97,8"], "wrong_place"),
        (["--at", "47,8,450,1"], "wrong_place"),
        (["--at", "nan,8"], "wrong_place"),
        ([*YARD, "--time", "noon"], "wrong_time"),
        ([*YARD, "--time", "2500-01-01T00:00Z"], "wrong_time"),
        ([*YARD, "--zone", "Nowhere/There"], "wrong_zone"),
        ([*YARD, "--zone", "+99"], "wrong_zone"),
        ([*YARD, "--every", "0"], "out_of_range"),
        ([*YARD, "--print", "sun.pdf"], "cannot_write"),
        ([*YARD, "--print", "nowhere/sun.html"], "cannot_write"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line(arguments, code, capsys):
    assert main(["sun", "--json", *arguments]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == code


def test_times_are_read_in_the_named_zone_and_with_their_own(capsys):
    one = told_json(capsys, *TERRACE)["instant"]
    assert one == "2026-11-25T08:30:00Z"
    with_zone = [*TERRACE[:3], "2026-11-25T10:30+02:00", "--zone", "-3:30"]
    assert told_json(capsys, *with_zone)["instant"] == one
    assert "times in UTC-3:30" in told(capsys, *with_zone)


def test_the_page_on_the_wooden_stick_has_the_computed_figures():
    """The table of docs/daylight.md, row by row."""
    page = (ROOT / "docs" / "daylight.md").read_text("utf-8")
    rows = re.findall(
        r"^\| (\d+) deg \| ([\d.]+)" + r" \| ([\d.]+) deg" * 4,
        page,
        re.MULTILINE,
    )
    assert len(rows) == 7
    for row in rows:
        altitude = math.radians(float(row[0]))
        none = {"plumb_rad": 0.0, "mark_m": 0.0}
        blur = stick_sigma_rad(altitude, **none)
        lean = math.sqrt(stick_sigma_rad(altitude, mark_m=0.0) ** 2 - blur**2)
        mark = math.sqrt(stick_sigma_rad(altitude, plumb_rad=0.0) ** 2 - blur**2)
        together = stick_sigma_rad(altitude)
        assert float(row[1]) == pytest.approx(1.0 / math.tan(altitude), abs=0.006)
        for told_deg, value in zip(row[2:], (blur, lean, mark, together), strict=True):
            assert float(told_deg) == pytest.approx(math.degrees(value), abs=0.0051)
