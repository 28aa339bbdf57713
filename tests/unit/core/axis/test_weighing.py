"""What a survey's frames say, and what becomes of those that disagree."""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from polewright.core.axis.survey import solve_axis_robustly
from polewright.core.axis.weighing import (
    SurveyFrame,
    WeighingRules,
    blames_roll,
    checks_itself,
    weigh,
)
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about, rotation_from_vector
from tests.unit.core.axis.skies import axis_at, first_attitude, observe

POLE = axis_at(33, 180)
AXIS = axis_at(33.4, 180.6)
RULES = WeighingRules(pole_enu=POLE)
FLOOR = 3.0 * ARCSEC_RAD
X = np.array([1.0, 0.0, 0.0])


@dataclass(frozen=True)
class Tube:
    """How a tube lies on its mount (arcsec), and from which frame on it is beyond the pole.

    ``index`` is what declination is off by on both sides alike: over the pier it counts double.
    """

    over: int = 99
    cone: float = 0.0
    index: float = 0.0


def frames_of(rng, count=6, *, sweep=75.0, declination=40.0, tube=None, rolls=None, sides=None):
    """Frames of a mount of the German kind, turned about ``AXIS`` at one declination."""
    tube = tube or Tube()
    start = first_attitude(AXIS, declination)
    found = []
    for index, turn in enumerate(np.radians(np.linspace(0.0, sweep, count))):
        attitude = start
        if index >= tube.over:
            # Half a turn of right ascension, and declination over the pole to the same place.
            dec_axis = np.cross(AXIS, start[:, 0])
            dec_axis /= np.linalg.norm(dec_axis)
            swing = 2.0 * math.radians(90.0 - declination) + tube.index * ARCSEC_RAD
            attitude = rotation_about(AXIS, math.pi) @ rotation_about(dec_axis, -swing) @ attitude
            attitude = attitude @ rotation_about(
                np.array([0.0, 0.0, 1.0]), 2.0 * tube.cone * ARCSEC_RAD
            )
        attitude = rotation_about(AXIS, turn) @ attitude
        attitude = attitude @ rotation_from_vector(rng.normal(size=3) * FLOOR)
        if rolls is not None:
            attitude = attitude @ rotation_about(X, rolls[index])
        side = "" if sides is None else sides[index]
        found.append(
            SurveyFrame(attitude=observe(rng, attitude, label=f"frame {index + 1}"), side=side)
        )
    return found


def off_sigmas(weighed):
    estimate = weighed.estimate
    return angle_between(estimate.axis_enu, AXIS) / estimate.sigma_rad


def refusal_of(frames, weighed):
    try:
        assert blames_roll(frames, weighed, RULES)
    except MeasurementError as refused:
        return refused
    return None


def test_over_the_pier_a_tube_looks_at_the_same_place_with_its_picture_turned_over():
    """The helper above against what every observer knows of such mounts (common practice)."""
    before, after = frames_of(np.random.default_rng(1), 2, sweep=0.0, tube=Tube(over=1))
    turn = before.attitude.enu_from_camera.T @ after.attitude.enu_from_camera
    assert turn[0, 0] == pytest.approx(1.0, abs=1e-8)
    assert turn[1, 1] == pytest.approx(-1.0, abs=1e-4)


def test_frames_that_share_an_axis_answer_with_their_roll():
    weighed = weigh(frames_of(np.random.default_rng(2)), RULES)
    assert weighed.believable
    assert weighed.estimate.roll_used
    assert weighed.left_out == 0


@pytest.mark.parametrize("kind", ["any", "drift", "round"])
def test_where_only_the_roll_is_wild_the_directions_answer(kind):
    rng = np.random.default_rng(3)
    good = 0
    for _ in range(12):
        rolls = {
            "any": rng.uniform(-1.0, 1.0, 6),
            "drift": np.radians(2.0) * np.arange(6),
            "round": rng.uniform(-math.pi, math.pi, 6),
        }[kind]
        frames = frames_of(rng, rolls=rolls)
        weighed = weigh(frames, RULES)
        refused = None if weighed.believable else refusal_of(frames, weighed)
        if refused is not None:
            # A roll of any size may look like a tube that went over the pier.
            assert (kind, refused.code) == ("round", "other_pier_side")
            continue
        if not weighed.believable:
            weighed = weigh(frames, RULES, without_roll=True)
        if weighed.believable:
            good += 1
            assert not weighed.estimate.roll_used
            assert off_sigmas(weighed) < 4.5
    assert good >= (6 if kind == "round" else 12)


def test_directions_that_check_themselves_once_only_are_not_believed_unasked():
    rng = np.random.default_rng(4)
    frames = frames_of(rng, 4, rolls=rng.uniform(-1.0, 1.0, 4))
    assert not weigh(frames, RULES).believable
    asked = WeighingRules(pole_enu=POLE, use_roll=False)
    assert weigh(frames, asked).believable
    # Three directions always lie on some circle: that says nothing, whoever asked.
    assert not weigh(frames[:3], asked).believable


@pytest.mark.parametrize("told", [True, False], ids=["told", "silent"])
@pytest.mark.parametrize(("cone", "declination"), [(0.0, 40.0), (30.0, -20.0), (600.0, 70.0)])
def test_after_a_tube_went_over_the_pier_only_the_frames_since_count(told, cone, declination):
    rng = np.random.default_rng(5)
    for over in (1, 2, 3):
        sides = ["east" if index < over else "west" for index in range(6)] if told else None
        tube = Tube(over=over, cone=cone, index=rng.uniform(-60, 60))
        frames = frames_of(rng, declination=declination, tube=tube, sides=sides)
        weighed = weigh(frames, RULES)
        assert weighed.left_out == over
        assert weighed.believable
        assert weighed.estimate.roll_used
        assert off_sigmas(weighed) < 4.5


@pytest.mark.parametrize("told", [True, False], ids=["told", "silent"])
def test_where_too_few_frames_are_left_the_other_side_is_named(told):
    rng = np.random.default_rng(6)
    sides = ["east"] * 4 + ["west"] * 2 if told else None
    frames = frames_of(rng, tube=Tube(over=4, cone=30.0), sides=sides)
    weighed = weigh(frames, RULES)
    assert not weighed.believable
    with pytest.raises(MeasurementError, match="side of the pier") as caught:
        blames_roll(frames, weighed, RULES)
    assert caught.value.code == "other_pier_side"
    assert "frame 4" in caught.value.text
    assert "one side of the meridian" in caught.value.remedy


@pytest.mark.parametrize("use_roll", [None, False])
def test_a_tube_that_went_over_unseen_is_never_taken_for_a_rotator(use_roll):
    """A step of a minute of arc hides among directions; the picture that turned over does not."""
    rng = np.random.default_rng(7)
    rules = WeighingRules(pole_enu=POLE, use_roll=use_roll)
    believed = 0
    for _ in range(24):
        over = int(rng.integers(1, 6))
        tube = Tube(over=over, cone=30.0)
        frames = frames_of(rng, declination=float(rng.uniform(-40, 70)), tube=tube)
        for without_roll in (False, True):
            weighed = weigh(frames, rules, without_roll=without_roll)
            if weighed.believable:
                believed += 1
                assert weighed.left_out == over
                assert off_sigmas(weighed) < 4.5
    assert believed >= 6


def test_a_mount_that_tells_its_side_by_the_hour_angle_alone_loses_no_frame():
    rng = np.random.default_rng(8)
    weighed = weigh(frames_of(rng, sides=["east"] * 3 + ["west"] * 3), RULES)
    assert weighed.believable
    assert weighed.left_out == 0
    assert weighed.estimate.frames == 6


def test_a_side_that_is_not_told_of_every_frame_still_tells_of_a_change():
    rng = np.random.default_rng(9)
    sides = ["east", "", "", "west", "", "west"]
    weighed = weigh(frames_of(rng, tube=Tube(over=3, cone=60.0), sides=sides), RULES)
    assert weighed.left_out == 3
    assert weighed.believable


def test_a_step_among_five_directions_is_not_hidden_by_leaving_a_frame_out():
    """With one check left after that, nine of ten such sets looked consistent (measured)."""
    rng = np.random.default_rng(12)
    for over in (1, 2, 3, 4):
        for _ in range(3):
            frames = frames_of(rng, 5, tube=Tube(over=over, index=60.0))
            attitudes = [frame.attitude for frame in frames]
            assert not solve_axis_robustly(attitudes, use_roll=False).consistent


def test_frames_at_two_places_do_not_check_each_other():
    rng = np.random.default_rng(10)
    one, _, _, _, _, six = frames_of(rng)
    weighed = weigh([one, one, six, six], RULES)
    assert weighed.estimate.consistent
    assert not checks_itself(weighed.estimate)
    assert not weighed.believable
    with pytest.raises(MeasurementError, match="too few to check each other"):
        blames_roll([one, one, six, six], weighed, RULES)


def test_beside_the_pole_a_tube_that_went_over_unseen_is_named_too():
    rng = np.random.default_rng(11)
    named = 0
    for _ in range(6):
        frames = frames_of(rng, 4, declination=80.0, tube=Tube(over=3, cone=300.0))
        weighed = weigh(frames, RULES)
        assert not weighed.believable
        named += refusal_of(frames, weighed).code == "other_pier_side"
    assert named >= 5


def test_beside_the_pole_directions_that_nobody_asked_for_are_no_failure():
    rng = np.random.default_rng(13)
    frames = frames_of(rng, 4, declination=89.7, sweep=45.0, rolls=rng.uniform(-1.0, 1.0, 4))
    assert not weigh(frames, RULES).believable
    with pytest.raises(MeasurementError) as caught:
        weigh(frames, WeighingRules(pole_enu=POLE, use_roll=False))
    assert caught.value.code == "turn_too_small"
