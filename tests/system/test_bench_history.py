"""Benchmarks against their own past: what counts as worse, and whether this tree is."""

import json

import pytest

from tests.bench import accuracy, history
from tests.bench.ratios import RATIOS, got_worse, ratios_of

LOWER = next(ratio for ratio in RATIOS if not ratio.more_is_better)
HIGHER = next(ratio for ratio in RATIOS if ratio.more_is_better)


@pytest.mark.parametrize(("ratio", "sign"), [(LOWER, 1.0), (HIGHER, -1.0)])
def test_a_ratio_is_worse_only_beyond_its_margin_and_only_on_its_worse_side(ratio, sign):
    assert ratio.worse(1.0 + sign * 1.01 * ratio.margin, 1.0)
    assert not ratio.worse(1.0 + sign * 0.99 * ratio.margin, 1.0)
    assert not ratio.worse(1.0 - sign * 0.5, 1.0)


def test_what_got_worse_is_told_with_both_figures():
    (line,) = got_worse({LOWER.key: 1.3}, {LOWER.key: 1.0, HIGHER.key: 12.0})
    assert LOWER.key in line
    assert "1.3" in line
    assert "it was 1" in line
    assert got_worse({LOWER.key: 1.3}, {}) == []


def test_the_newest_of_a_kind_is_what_is_held_against(tmp_path):
    file = tmp_path / "history.jsonl"
    history.keep({LOWER.key: 1.2}, quick=True, file=file)
    history.keep({LOWER.key: 1.0}, quick=True, file=file)
    history.keep({LOWER.key: 0.5}, quick=False, file=file)
    assert history.newest(quick=True, file=file) == {LOWER.key: 1.0}
    assert history.check({LOWER.key: 1.0 + 2.0 * LOWER.margin}, quick=True, file=file)
    history.draw(file, tmp_path / "plot.svg")
    assert LOWER.key in (tmp_path / "plot.svg").read_text().replace("&#x27;", "'")


def test_entries_speak_of_no_machine_by_name():
    for entry in history.read():
        assert set(entry) == {"at", "commit", "machine", "python", "quick", "ratios"}
        assert set(entry["ratios"]) <= {ratio.key for ratio in RATIOS}
        json.dumps(entry)


@pytest.mark.slow
def test_the_survey_is_as_near_its_bound_as_when_it_was_last_measured():
    now = ratios_of({"accuracy": accuracy.run(quick=True)})
    assert set(now) <= set(history.newest(quick=True)), "nothing was kept to compare with"
    assert history.check(now, quick=True) == []
