"""Knobs are learned from turns that the person reports, with slack and an honest sigma."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.axis.knobs import Knob, after_turn, turn_words, turns_for
from polewright.core.geometry.directions import ARCMIN_RAD

SIGMA_RAD = 0.02 * ARCMIN_RAD


class Screw:
    """A real bolt: gain (arcmin per turn clockwise) and slack; hands are good to 0.02 turn."""

    def __init__(self, rng, gain_arcmin, slack_turns):
        self.rng = rng
        self.gain_arcmin = gain_arcmin
        self.slack_turns = slack_turns
        self.play = rng.uniform(0, slack_turns)
        self.went_arcmin = 0.0

    def turn(self, turns, *, exactly=False):
        """Turn and return how far the bolt went (rad, as seen)."""
        real = turns if exactly else turns + self.rng.normal(0, 0.02)
        before = self.went_arcmin
        # The thread floats between its two flanks.
        place = self.play + real
        pushed = place - min(max(place, 0.0), self.slack_turns)
        self.play = place - pushed
        self.went_arcmin += pushed * self.gain_arcmin
        return (self.went_arcmin - before) * ARCMIN_RAD + self.rng.normal(0, SIGMA_RAD)


def learn(screw, turns):
    knob = Knob()
    for turn in turns:
        knob = after_turn(knob, turn, screw.turn(turn), SIGMA_RAD)
    return knob


@pytest.mark.parametrize("gain", [40.0, -25.0])
def test_gain_and_slack_are_learned_from_a_few_turns(gain):
    """Expected: 3.4 % after two moves, 1.8 % after ten, slack to 0.02 turn (own derivation)."""
    errors, normalised, slacks = [], [], []
    for seed in range(200):
        screw = Screw(np.random.default_rng(seed), gain, 0.12)
        knob = learn(screw, [0.5, 0.5, -0.5, -0.5, 0.5, 0.5, -0.5, -0.5, 0.5, 0.5])
        assert knob.gain_rad is not None
        error = knob.gain_rad / ARCMIN_RAD - gain
        errors.append(error / gain)
        normalised.append(error * ARCMIN_RAD / knob.gain_sigma_rad)
        slacks.append(knob.slack_turns - 0.12)
    assert np.std(errors) < 0.025
    assert abs(np.mean(errors)) < 0.01
    assert 0.6 < np.mean(np.square(normalised)) < 1.4
    assert np.std(slacks) < 0.03


def test_two_turns_are_enough_to_tell_a_turn():
    errors = []
    for seed in range(200):
        screw = Screw(np.random.default_rng(seed), 30.0, 0.1)
        knob = learn(screw, [0.5, 0.5])
        assert knob.known
        errors.append(knob.gain_rad / ARCMIN_RAD / 30.0 - 1.0)
    assert np.std(errors) < 0.05


def test_nothing_is_told_before_the_first_turn():
    assert turns_for(Knob(), ARCMIN_RAD) is None


def test_the_advice_ends_clockwise_and_leads_to_the_goal():
    """Follow the advice exactly: the bolt goes where it was told, whatever the sense."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        screw = Screw(rng, -35.0, 0.15)
        knob = learn(screw, [0.5, 0.5, -0.5, -0.5, 0.5, 0.5, -0.5, -0.5, 0.5, 0.5])
        for goal_arcmin in (6.0, -8.0, 3.0):
            before = screw.went_arcmin
            advice = turns_for(knob, goal_arcmin * ARCMIN_RAD)
            assert advice.steps_turns[-1] > 0.0
            assert advice.turns == pytest.approx(sum(advice.steps_turns))
            for step in advice.steps_turns:
                knob = after_turn(knob, step, screw.turn(step, exactly=True), SIGMA_RAD)
            allowed = 4.0 * advice.sigma_turns * 35.0 + 1.0
            assert abs(screw.went_arcmin - before - goal_arcmin) < min(allowed, 3.0)


def test_a_turn_that_does_not_fit_is_set_aside_and_a_second_starts_over():
    screw = Screw(np.random.default_rng(1), 30.0, 0.1)
    knob = learn(screw, [0.5, 0.5, 0.5, 0.5])
    gain = knob.gain_rad
    odd = after_turn(knob, 0.5, -40.0 * ARCMIN_RAD, SIGMA_RAD)
    assert odd.doubtful is not None
    assert odd.gain_rad == gain
    assert after_turn(odd, 0.5, 15.0 * ARCMIN_RAD, SIGMA_RAD).doubtful is None
    again = after_turn(odd, 0.5, -40.0 * ARCMIN_RAD, SIGMA_RAD)
    assert again.gain_rad is not None
    assert again.gain_rad < 0.0


def test_a_turn_lost_in_the_slack_teaches_only_slack():
    knob = Knob()
    for turns, went in ((0.5, 15.0), (0.5, 15.0), (-0.05, 0.0), (-0.45, -12.0)):
        knob = after_turn(knob, turns, went * ARCMIN_RAD, SIGMA_RAD)
    assert knob.gain_rad / ARCMIN_RAD == pytest.approx(30.0, rel=0.05)
    assert knob.slack_turns == pytest.approx(0.1, abs=0.04)


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.25, "about 1/4 turn clockwise"),
        (-0.25, "about 1/4 turn anticlockwise"),
        (0.01, "a touch clockwise"),
        (-0.06, "about 1/16 turn anticlockwise"),
        (0.95, "about 1 turn clockwise"),
        (1.0, "about 1 turn clockwise"),
        (1.3, "about 1 1/4 turns clockwise"),
        (-1.95, "about 2 turns anticlockwise"),
        (6.6, "about 7 turns clockwise"),
    ],
)
def test_turns_are_said_as_a_person_says_them(turns, words):
    assert turn_words(turns) == words


@given(
    gain=st.floats(5, 200),
    sign=st.sampled_from([-1.0, 1.0]),
    turns=st.lists(st.floats(-2, 2).filter(lambda turn: abs(turn) > 1e-3), min_size=1, max_size=12),
    noise=st.integers(0, 10_000),
)
def test_any_turns_leave_finite_figures(gain, sign, turns, noise):
    screw = Screw(np.random.default_rng(noise), sign * gain, 0.1)
    knob = learn(screw, turns)
    assert knob.slack_turns >= 0.0
    if knob.gain_rad is not None:
        assert math.isfinite(knob.gain_rad)
        assert math.isfinite(knob.gain_sigma_rad)
    if knob.known:
        advice = turns_for(knob, 5.0 * ARCMIN_RAD)
        assert math.isfinite(advice.turns)
        assert advice.words


@pytest.mark.parametrize("part", ["1/16", "1/8", "1/6", "1/4", "1/3", "1/2", "2/3", "3/4"])
def test_a_part_of_a_turn_is_said_where_it_is_the_nearest(part):
    turns = float(Fraction(part))
    assert turn_words(turns * 1.05) == turn_words(turns * 0.95) == f"about {part} turn clockwise"
