"""The report of an evening: whole in itself, true to the journal, dark on screen."""

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from polewright.adapters.journal.reading import open_reader
from polewright.app.evening_charts import ErrorPoint, path_chart, time_chart
from polewright.cli.main import main
from tests.unit.adapters.journal_records import NIGHT
from tests.unit.cli.kept_evenings import Diarist, write_evenings

# What may stand open.
_VOID = {"meta", "br"}


class Page(HTMLParser):
    """A page's elements, attributes and words; refuses what is not well formed."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.attributes, self.words = [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attributes]
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attributes]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    return write_evenings(tmp_path_factory.mktemp("journal") / "kudu.sqlite")


@pytest.fixture
def report(journal, tmp_path, capsys):
    def write(*arguments, file=journal):
        target = tmp_path / "evening.html"
        command = ["history", "--report", str(target), *map(str, arguments), "--file", str(file)]
        assert main(command) == 0
        capsys.readouterr()
        return target.read_text("utf-8")

    return write


def test_it_fetches_nothing_and_runs_nothing(report):
    text = report("--evening", 1)
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object", "embed", "base"} & set(page.tags)
    assert not [one for one in page.attributes if one[1] in {"src", "href", "srcset", "action"}]
    assert not [one for one in page.attributes if one[1].startswith("on")]
    assert not re.search(r"https?:|//|url\(|@import|javascript:", text)


def test_its_figures_are_those_of_the_journal(report, journal):
    text = Page(report("--evening", 1)).text
    with open_reader(journal) as reader:
        first, second = (one.record.correction for one in list(reader.surveys())[:2])
    for found in (first, second):
        for value, sigma in (
            (found.altitude_error_arcmin, found.altitude_error_sigma_arcmin),
            (found.azimuth_error_arcmin, found.azimuth_error_sigma_arcmin),
        ):
            assert f"{value:+.2f} ± {sigma:.2f}".replace("-", "−") in text
        assert f"{found.total_error_arcmin:.2f} ± {found.total_error_sigma_arcmin:.2f}" in text
    assert "Good enough: off by 0.17 arcmin ± 0.07; 1.00 is allowed" in text
    assert "After survey 1: adjusted from 54.61 to 0.20 arcmin" in text


def test_it_tells_the_course_what_was_learned_and_what_it_rests_on(report):
    text = Page(report("--evening", 1)).text
    for part in (
        "20:09:00 surveying survey asked",
        "20:14:00 adjusting adjust asked",
        "the feet stand on new marks “terrace”",
        "altitude knob: +33.78 ± 5.52 arcmin per turn clockwise",
        "pole aimed at refracted",
        "largest error allowed 60 arcsec",
        "wander from frame to frame 3.0 arcsec",
        "computed with numpy 2.0",
    ):
        assert part in text


def test_it_tells_the_place_to_a_kilometre_only(report, tmp_path):
    diarist = Diarist(tmp_path / "home.sqlite").evening(NIGHT)
    diarist.surveyed(3.0, 2.0)
    diarist.close()
    text = report(file=diarist.path)
    assert "-32.40 +22.70 deg" in text
    assert "22.7000" not in text


def test_it_is_red_on_black_on_a_screen_and_black_on_white_on_paper(report):
    style = re.search(r"<style>(.*?)</style>", report(), re.DOTALL).group(1)
    screen, paper = re.findall(r":root \{([^}]*)\}", style)
    assert "--ink: #e00; --faint: #800; --ground: #000" in screen
    assert "--ink: #000; --faint: #888; --ground: #fff" in paper
    assert re.search(r"@media print \{ :root", style)
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", style))
    assert colours == {"#e00", "#800", "#000", "#888", "#fff"}, "no other light anywhere"


def test_the_last_evening_with_a_survey_is_told_where_none_is_named(report, journal, capsys):
    assert "evening of 16 December 2026" in report()
    page = Page(report("--evening", 5))
    assert "Surveys" not in page.text, "clouds came"
    assert "svg" not in page.tags
    target = journal.with_name("x.html")
    assert main(["history", "--report", str(target), "--evening", "9", "--file", str(journal)]) == 2
    assert "no evening 9" in capsys.readouterr().err
    assert not target.exists()


def test_names_from_devices_cannot_put_anything_into_the_page(report, tmp_path):
    name = "Kudu<script>alert(1)</script>"
    diarist = Diarist(tmp_path / "odd.sqlite").evening(NIGHT)
    diarist.surveyed(3.0, 2.0, mount=name)
    diarist.close()
    page = Page(report(file=diarist.path))
    assert "script" not in page.tags
    assert name in page.text.replace("> ", ">")


def test_a_damaged_survey_is_told_and_the_rest_is_written(report, tmp_path):
    import sqlite3

    path = write_evenings(tmp_path / "kudu.sqlite")
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE survey SET record = zeroblob(300) WHERE id = 2")
    connection.close()
    text = Page(report("--evening", 1, file=path)).text
    assert "By the last correction while the bolts were turned" in text


def points(count):
    return [
        ErrorPoint(
            at=NIGHT + timedelta(seconds=6 * number), altitude_arcmin=50.0 * 0.99**number,
            azimuth_on_sky_arcmin=-3.0, total_arcmin=50.0 * 0.99**number, sigma_arcmin=0.1,
            begins=number == 0,
        )
        for number in range(count)
    ]  # fmt: skip


def _places(svg):
    return [
        (float(x), float(y))
        for run in re.findall(r'points="([^"]*)"', svg)
        for x, y in (pair.split(",") for pair in run.split())
    ]


def test_equal_factors_are_equal_heights_and_time_runs_to_the_right():
    places = _places(time_chart(points(200), points(1), 1.0))
    steps = {round(b[1] - a[1], 0) for a, b in zip(places[::50], places[50::50], strict=False)}
    assert len(steps) == 1
    assert all(b[0] > a[0] for a, b in pairwise(places))
    assert all(0.0 <= x <= 460.0 and 0.0 <= y <= 250.0 for x, y in places)


def test_the_goal_is_a_circle_about_the_middle_and_too_high_is_up():
    svg = path_chart(points(2), points(1), 1.0, 60.0)
    assert 'class="goal" cx="150" cy="150" r="2.5"' in svg
    (x, y), _ = _places(svg)
    assert x == pytest.approx(150.0 - 3.0 * 2.5)
    assert y == pytest.approx(150.0 - 50.0 * 2.5)


def test_a_long_night_is_thinned_and_none_of_its_ends_is_lost():
    night = points(20_000)
    night[7777] = replace(night[7777], begins=True)
    svg = time_chart(night, [], 1.0)
    assert len(svg) < 30_000
    assert svg.count("<polyline") == 2
