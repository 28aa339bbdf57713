"""Knobs are believed from settings and from earlier evenings, until turns say otherwise."""

import numpy as np
import pytest

from polewright.core.axis.knobs import Knob, after_rest, after_turn, knob_as_set, turns_for
from polewright.core.geometry.directions import ARCMIN_RAD
from tests.unit.core.axis.test_knobs import SIGMA_RAD, Screw, learn


def gain_arcmin(knob):
    return None if knob.gain_rad is None else knob.gain_rad / ARCMIN_RAD


def test_a_knob_as_set_is_told_before_its_first_turn():
    advice = turns_for(knob_as_set(30.0 * ARCMIN_RAD), 15.0 * ARCMIN_RAD)
    assert advice is not None
    assert advice.turns == pytest.approx(0.5)
    assert advice.words == "about 1/2 turn clockwise"
    assert advice.sigma_turns == pytest.approx(0.05), "a setting is right to a tenth"


def test_a_negative_setting_turns_the_other_way():
    advice = turns_for(knob_as_set(-30.0 * ARCMIN_RAD), 15.0 * ARCMIN_RAD)
    assert advice is not None
    assert "anticlockwise" in advice.words


@pytest.mark.parametrize("turn", [0.25, -0.25, 0.5, 2.0])
def test_the_first_turn_goes_before_the_sense_of_a_setting(turn):
    """Size right, sense wrong: at once the other sense, with nothing doubtful."""
    for seed in range(20):
        screw = Screw(np.random.default_rng(seed), -30.0, 0.08)
        knob = after_turn(knob_as_set(30.0 * ARCMIN_RAD), turn, screw.turn(turn), SIGMA_RAD)
        assert knob.doubtful is None
        assert gain_arcmin(knob) == pytest.approx(-30.0, rel=0.25)


def test_a_setting_of_another_thread_is_given_up_after_two_turns():
    """The first turn silences it, the second begins anew: no mean of right and wrong."""
    screw = Screw(np.random.default_rng(1), 8.0, 0.05)
    knob = knob_as_set(40.0 * ARCMIN_RAD)
    knob = after_turn(knob, 2.0, screw.turn(2.0), SIGMA_RAD)
    assert knob.doubtful is not None
    assert turns_for(knob, 15.0 * ARCMIN_RAD) is None
    knob = after_turn(knob, 1.0, screw.turn(1.0), SIGMA_RAD)
    assert gain_arcmin(knob) == pytest.approx(8.0, rel=0.1)
    assert knob.belief is None


def test_turns_refine_a_setting_and_overrule_it_in_the_end():
    """Right to 10 %, it is right to 3 % after twelve turns, as without it (1.8 % and slack)."""
    errors = []
    for seed in range(60):
        screw = Screw(np.random.default_rng(seed), 33.0, 0.08)
        knob = knob_as_set(30.0 * ARCMIN_RAD)
        for turn in [0.5, 0.5, -0.5, -0.5] * 3:
            knob = after_turn(knob, turn, screw.turn(turn), SIGMA_RAD)
        errors.append(gain_arcmin(knob) / 33.0 - 1.0)
    assert abs(np.mean(errors)) < 0.01
    assert np.std(errors) < 0.03


def test_what_was_learned_is_told_the_next_evening_with_more_doubt():
    screw = Screw(np.random.default_rng(3), -25.0, 0.12)
    before = learn(screw, [0.5, 0.5, -0.5, -0.5, 0.5, 0.5])
    rested = after_rest(before)
    assert rested.gain_rad == before.gain_rad
    assert rested.slack_turns == before.slack_turns
    assert rested.gain_sigma_rad > 0.05 * abs(before.gain_rad) > before.gain_sigma_rad
    assert rested.last_sense == 0.0, "nobody knows which flank the thread touches"
    told = turns_for(rested, 10.0 * ARCMIN_RAD)
    assert told is not None
    assert "anticlockwise" in told.words


def test_old_turns_count_for_less_than_the_same_turns_of_tonight():
    """A gain that changed by a tenth from one evening to the next is followed within a few."""
    turns = [0.5, 0.5, -0.5, -0.5] * 3
    old, new = (Screw(np.random.default_rng(seed), gain, 0.1) for seed, gain in ((4, 30), (5, 33)))
    stubborn = learn(old, turns)
    rested = after_rest(stubborn)
    for turn in turns[:4]:
        went = new.turn(turn)
        stubborn, rested = (after_turn(k, turn, went, SIGMA_RAD) for k in (stubborn, rested))
    assert abs(gain_arcmin(rested) - 33.0) < 1.0
    assert abs(gain_arcmin(stubborn) - 33.0) > 1.5


def test_sigmas_stay_honest_over_two_evenings():
    """Gains that change by 5 % between evenings: squared errors as large as sigma says."""
    normalised = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        screw = Screw(rng, 30.0, 0.1)
        knob = after_rest(learn(screw, [0.5, 0.5, -0.5, -0.5]))
        screw.gain_arcmin *= 1.0 + rng.normal(0, 0.05)
        for turn in (0.4, 0.4):
            knob = after_turn(knob, turn, screw.turn(turn), SIGMA_RAD)
        normalised.append((knob.gain_rad - screw.gain_arcmin * ARCMIN_RAD) / knob.gain_sigma_rad)
    assert 0.6 < np.mean(np.square(normalised)) < 1.4


def test_another_head_is_noticed_by_two_turns_and_leaves_no_trace():
    knob = after_rest(learn(Screw(np.random.default_rng(6), 30.0, 0.1), [0.5, 0.5, -0.5, -0.5]))
    other = Screw(np.random.default_rng(7), -12.0, 0.05)
    knob = after_turn(knob, 0.5, other.turn(0.5), SIGMA_RAD)
    assert turns_for(knob, 15.0 * ARCMIN_RAD) is None, "contradicted: not told any more"
    knob = after_turn(knob, 0.5, other.turn(0.5), SIGMA_RAD)
    alone = learn(Screw(np.random.default_rng(7), -12.0, 0.05), [0.5, 0.5])
    assert knob.gain_rad == alone.gain_rad
    assert turns_for(knob, 15.0 * ARCMIN_RAD) is not None


def test_a_doubt_is_carried_over_the_night():
    """One contradiction last night and one tonight are two in a row."""
    knob = learn(Screw(np.random.default_rng(8), 30.0, 0.1), [0.5, 0.5])
    other = Screw(np.random.default_rng(9), -12.0, 0.05)
    knob = after_rest(after_turn(knob, 0.5, other.turn(0.5), SIGMA_RAD))
    assert knob.doubtful is not None
    assert not knob.known
    knob = after_turn(knob, 0.5, other.turn(0.5), SIGMA_RAD)
    assert gain_arcmin(knob) == pytest.approx(-12.0, rel=0.15)


def test_a_setting_that_rested_still_gives_way_to_the_first_turn():
    screw = Screw(np.random.default_rng(10), -30.0, 0.08)
    knob = after_rest(knob_as_set(30.0 * ARCMIN_RAD))
    knob = after_turn(knob, 0.5, screw.turn(0.5), SIGMA_RAD)
    assert gain_arcmin(knob) == pytest.approx(-30.0, rel=0.2)


def test_of_a_knob_that_taught_nothing_nothing_is_kept():
    assert after_rest(Knob(last_sense=1.0)) == Knob()
