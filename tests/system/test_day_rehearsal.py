"""A whole day rehearsed: a sensor, the Sun, then the stars, each claim held against the truth."""

import pytest

from polewright.app.day_rehearsal import DayReport, rehearse_day
from polewright.app.rehearsed_person import Stage
from polewright.cli.day_rehearsal import day_held, day_lines
from tests.full_run import in_full


def stage(true_arcmin: float, **more: float | None) -> Stage:
    given = {"claimed_arcmin": 1.0, "sigma_arcmin": 0.5, "to_reach_arcmin": 1.5} | more
    return Stage(name="by the Sun", true_arcmin=true_arcmin, **given)  # type: ignore[arg-type]


def report(*stages: Stage) -> DayReport:
    return DayReport(site="south", seed=1, initial_true_arcmin=300.0, stages=stages, wall_s=90.0)


def test_a_day_holds_where_every_stage_reached_its_goal_and_claimed_honestly() -> None:
    held = report(stage(1.2), stage(0.9, to_reach_arcmin=None))
    assert day_held(held)
    assert day_lines(held)[0].startswith("GOOD ENOUGH")
    missed = report(stage(1.2), stage(1.6))
    assert not day_held(missed)
    assert "NOT REACHED" in day_lines(missed)[-1]
    false = report(stage(1.4, claimed_arcmin=0.1, sigma_arcmin=0.2))
    assert not day_held(false)
    assert "CLAIM DOES NOT HOLD" in day_lines(false)[-1]


@pytest.mark.slow
@pytest.mark.timeout(400)
@in_full
@pytest.mark.parametrize(("site", "seed"), [("south", 11), ("north", 5)])
async def test_a_day_from_five_degrees_to_seconds_of_arc(site: str, seed: int) -> None:
    assert day_held(await rehearse_day(seed, site, lambda _words, _part: None))
