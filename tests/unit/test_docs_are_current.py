"""The pages say what the code does: made tables, links, commands, and the bound's own check."""

import re
from pathlib import Path

import pytest

from polewright.adapters.mqtt.inputs import INPUTS
from polewright.adapters.mqtt.payloads import PAYLOADS, SCALAR_SCHEMAS
from polewright.cli.parser import parser
from tests.docs.blocks import ROOT, filled, names_in, pages
from tests.docs.bounds import axis_bound_arcsec
from tests.docs.meanings import RETAINED, TOPICS
from tests.docs.screens import FLEET, SCREENS, drawn
from tests.docs.tables import MAKERS

TEXTS = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
# Words after ./run that the script itself knows.
OF_THE_SCRIPT = {
    "test",
    "lint",
    "audit",
    "bench",
    "install-test",
    "docs",
    "setup",
    "fuzz",
    "faults",
    "soak",
    "mutants",
}


def verbs() -> set[str]:
    (commands,) = (a for a in parser()._actions if a.dest == "command")
    assert commands.choices is not None
    return set(commands.choices)


@pytest.mark.parametrize("page", pages(), ids=lambda page: page.name)
def test_made_blocks_are_current(page: Path):
    """If this fails: `./run docs` makes them anew."""
    text = page.read_text("utf-8")
    assert filled(text, MAKERS) == text, f"{page.name} is old: run ./run docs"


def test_every_maker_has_its_place_in_the_pages():
    used = {name for page in pages() for name in names_in(page.read_text("utf-8"))}
    assert used == set(MAKERS)


@pytest.mark.parametrize("name", [*SCREENS, FLEET])
def test_pictures_of_the_terminal_show_what_it_draws_and_fetch_nothing(name: str):
    """If this fails: `./run docs` makes them anew."""
    text = drawn(name)
    assert (ROOT / "docs" / "images" / f"{name}.svg").read_text("utf-8") == text
    assert not re.search(r"url\((?!#)", text)


def test_every_topic_has_words_and_a_retained_flag():
    assert set(TOPICS) == {*PAYLOADS, *SCALAR_SCHEMAS, *INPUTS}
    assert set(RETAINED) <= set(TOPICS)


@pytest.mark.parametrize("page", TEXTS, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path):
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text("utf-8")):
        assert (page.parent / target).exists(), f"{page.name} points at {target}"


@pytest.mark.parametrize("page", TEXTS, ids=lambda page: str(page.relative_to(ROOT)))
def test_commands_in_the_texts_exist(page: Path):
    text = page.read_text("utf-8")
    for verb in re.findall(r"\./run ([a-z][a-z-]*)", text):
        assert verb in verbs() | OF_THE_SCRIPT, f"{page.name}: ./run {verb}"
    for verb in re.findall(r"`polewright ([a-z][a-z-]*)", text):
        assert verb in verbs(), f"{page.name}: polewright {verb}"


@pytest.mark.parametrize(
    ("declination_deg", "frames", "sweep_deg", "expected_arcsec"),
    [
        (89, 2, 15, 4.3),
        (89, 2, 60, 1.1),
        (80, 3, 30, 8.6),
        (45, 3, 45, 7.7),
        (0, 3, 60, 4.6),
        (0, 3, 90, 2.1),
    ],
)
def test_the_bound_is_the_one_of_a_separate_derivation(
    declination_deg: float, frames: int, sweep_deg: float, expected_arcsec: float
):
    """Cramer-Rao bound from a Fisher matrix written down apart from this code, no floor."""
    found = axis_bound_arcsec(declination_deg, frames, sweep_deg, mechanical_floor_arcsec=0.0)
    assert found == pytest.approx(expected_arcsec, abs=0.06)
