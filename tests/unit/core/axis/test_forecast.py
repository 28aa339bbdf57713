"""Forecasts promise what surveys then reach, and choose no more than is needed."""

import itertools

import numpy as np
import pytest

from polewright.core.axis.forecast import choose_turns, expected_sigma, further_frame
from polewright.core.axis.survey import solve_axis
from polewright.core.geometry.directions import ARCSEC_RAD
from tests.unit.core.axis.skies import axis_at, first_attitude, observe, sweep

AXIS = axis_at(33, 181)


def _first(declination, roll=20.0):
    rng = np.random.default_rng(0)
    return observe(rng, first_attitude(AXIS, declination), roll_arcsec=roll)


@pytest.mark.parametrize("declination", [89, 45, 0, -30])
@pytest.mark.parametrize("turns", [[0, 30, 60], [0, 20, 40, 60, 80], [0, 30, 30, 60]])
def test_the_promised_sigma_is_the_one_that_the_survey_then_reports(declination, turns):
    rng = np.random.default_rng(1)
    attitudes = sweep(rng, AXIS, declination_deg=declination, turns_deg=turns)
    promised = expected_sigma(attitudes[0], AXIS, np.radians(turns))
    reported = [
        solve_axis(sweep(rng, AXIS, declination_deg=declination, turns_deg=turns)).sigma_rad
        for _ in range(9)
    ]
    assert promised == pytest.approx(np.median(reported), rel=0.02)


def test_a_few_degrees_of_misalignment_do_not_spoil_a_forecast():
    first = _first(60)
    near = expected_sigma(first, AXIS, np.radians([0, 30, 60]))
    off = expected_sigma(first, axis_at(35, 179), np.radians([0, 30, 60]))
    assert off == pytest.approx(near, rel=0.15)


def test_an_easy_wish_near_the_pole_takes_three_frames_and_a_small_turn():
    forecast = choose_turns(
        _first(88), AXIS, wish_rad=20 * ARCSEC_RAD, most_frames=8, largest_turn_rad=np.radians(90)
    )
    assert forecast.reaches_wish
    assert len(forecast.turns_rad) == 3
    assert max(forecast.turns_rad) <= np.radians(30)


def test_a_field_far_from_the_pole_takes_a_wider_turn_for_the_same_wish():
    plans = {
        declination: choose_turns(
            _first(declination), AXIS, wish_rad=15 * ARCSEC_RAD, most_frames=8,
            largest_turn_rad=np.radians(-90),
        )
        for declination in (88, 30)
    }  # fmt: skip
    assert all(plan.reaches_wish for plan in plans.values())
    assert min(plans[30].turns_rad) < min(plans[88].turns_rad)
    assert all(turn <= 0 for turn in plans[30].turns_rad), "turns in the sense that was asked"


def test_an_impossible_wish_gets_the_best_that_the_room_allows():
    forecast = choose_turns(
        _first(45), AXIS, wish_rad=0.1 * ARCSEC_RAD, most_frames=5, largest_turn_rad=np.radians(40)
    )
    assert not forecast.reaches_wish
    assert len(forecast.turns_rad) == 5
    assert max(forecast.turns_rad) == pytest.approx(np.radians(40))


def test_a_further_frame_never_makes_it_worse_and_its_gain_is_real():
    first = _first(45)
    turns = list(np.radians([0, 30, 60]))
    before = expected_sigma(first, AXIS, turns)
    more = further_frame(first, AXIS, turns, largest_turn_rad=np.radians(60))
    assert more.sigma_rad < before
    assert more.turns_rad[:3] == pytest.approx(turns)


@pytest.mark.parametrize("declination", [88, 20])
def test_five_frames_lie_about_as_well_as_five_can_lie(declination):
    """Held against every way of laying five frames on fifths of the room, ends and middle kept."""
    first, room = _first(declination), np.radians(40)
    forecast = choose_turns(
        first, AXIS, wish_rad=0.01 * ARCSEC_RAD, most_frames=5, largest_turn_rad=room
    )
    best = min(
        expected_sigma(first, AXIS, np.array([0.0, 0.5, 1.0, *others]) * room)
        for others in itertools.combinations_with_replacement((0.0, 0.25, 0.5, 0.75, 1.0), 2)
    )
    assert forecast.sigma_rad <= best * (1.0 + 1e-9)
