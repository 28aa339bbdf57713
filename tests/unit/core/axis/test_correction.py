"""Corrections: signs, words and verdicts, in both hemispheres."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.axis.bolts import BoltTurns
from polewright.core.axis.correction import (
    Verdict,
    amount_words,
    azimuth_words,
    closeness,
    correct,
    judge,
    says_leave,
    with_knob,
)
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import rotation_about
from tests.unit.core.axis.skies import axis_at

SURE = np.eye(2) * (1.0 * ARCSEC_RAD) ** 2
TOLERANCE = 60.0 * ARCSEC_RAD


def _correct(axis, target, covariance=SURE):
    return correct(axis, covariance, target, tolerance_rad=TOLERANCE)


def test_an_axis_too_high_is_to_be_lowered():
    result = _correct(axis_at(47.1, 0.0), axis_at(47.0, 0.0))
    assert result.altitude_error_arcmin == pytest.approx(6.0)
    assert result.altitude_words == "lower the axis 6.0 arcmin"
    assert result.azimuth_words == "leave the azimuth as it is"
    assert result.total_error_arcmin == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("target_azimuth", "axis_azimuth", "way"),
    [
        (0.0, 0.125, "west (anticlockwise"),
        (0.0, 359.875, "east (clockwise"),
        (180.0, 180.125, "east (anticlockwise"),
        (180.0, 179.875, "west (clockwise"),
    ],
)
def test_azimuth_words_hold_in_both_hemispheres(target_azimuth, axis_azimuth, way):
    result = _correct(axis_at(40.0, axis_azimuth), axis_at(40.0, target_azimuth))
    expected = f"turn the mount head 7.5 arcmin toward the {way} seen from above)"
    assert result.azimuth_words == expected
    assert abs(result.azimuth_error_arcmin) == pytest.approx(7.5)
    assert abs(result.azimuth_error_on_sky_arcmin) == pytest.approx(
        7.5 * math.cos(math.radians(40))
    )


@given(
    latitude=st.floats(-70, 70).filter(lambda x: abs(x) > 5),
    altitude_error=st.floats(-3, 3),
    azimuth_error=st.floats(-5, 5),
)
def test_doing_what_the_words_say_brings_the_axis_to_the_pole(
    latitude, altitude_error, azimuth_error
):
    """Turning about the vertical and then about the level axis, by the numbers reported.

    With hardly any tolerance nothing is left as it is; with a real one what is left is inside it.
    """
    target = axis_at(abs(latitude), 180.0 if latitude < 0 else 0.0)
    axis = axis_at(abs(latitude) + altitude_error, (180.0 if latitude < 0 else 0.0) + azimuth_error)
    fine = correct(axis, SURE, target, tolerance_rad=0.5 * ARCSEC_RAD)
    assert angle_between(_done(fine, axis), target) < 2.5 * ARCSEC_RAD
    assert angle_between(_done(_correct(axis, target), axis), target) <= TOLERANCE


def _done(result, axis):
    """Return where the axis is after somebody did what the words say."""
    clockwise = "(clockwise" in result.azimuth_words
    east = "east" in result.azimuth_words
    size = abs(result.azimuth_error_arcmin) * ARCMIN_RAD
    turn = 0.0 if "leave" in result.azimuth_words else (-size if clockwise else size)
    turned = rotation_about(np.array([0.0, 0.0, 1.0]), turn) @ axis
    lift = abs(result.altitude_error_arcmin) * ARCMIN_RAD
    lift = 0.0 if "leave" in result.altitude_words else lift
    lift = -lift if "lower" in result.altitude_words else lift
    level = np.cross(turned, [0.0, 0.0, 1.0])
    if turn:
        # An increase of the eastward component is a motion toward the east, anywhere.
        assert ((turned - axis)[0] > 0) == east
    return rotation_about(level / np.linalg.norm(level), lift) @ turned


@given(total=st.floats(0, 600), sigma=st.floats(0, 100), tolerance=st.floats(5, 120))
def test_good_enough_needs_two_sigma_inside_the_tolerance(total, sigma, tolerance):
    verdict = judge(total, sigma, tolerance, trustworthy=True)
    assert (verdict is Verdict.GOOD_ENOUGH) == (total + 2 * sigma <= tolerance)
    if total - 2 * sigma > tolerance:
        assert verdict is Verdict.NOT_YET


@given(total=st.floats(0, 600), sigma=st.floats(0, 100), tolerance=st.floats(5, 120))
def test_doubtful_data_are_never_good_enough(total, sigma, tolerance):
    assert judge(total, sigma, tolerance, trustworthy=False) is Verdict.CANNOT_TELL
    assert judge(math.nan, sigma, tolerance, trustworthy=True) is Verdict.CANNOT_TELL


@given(
    latitude=st.floats(5, 80),
    altitude_error=st.floats(-90, 90),
    azimuth_error=st.floats(-120, 120),
    sigmas=st.tuples(st.floats(0.1, 30), st.floats(0.1, 30)),
    held=st.booleans(),
    trustworthy=st.booleans(),
    tilted=st.floats(0.9, 1.1),
)
def test_both_bolts_are_left_exactly_where_the_verdict_is_good_enough(
    latitude, altitude_error, azimuth_error, sigmas, held, trustworthy, tilted
):
    """So no display can show both bolts at home, or say to turn one, against the verdict."""
    target = axis_at(latitude, 180.0)
    axis = axis_at(latitude + altitude_error / 3600.0, 180.0 + azimuth_error / 3600.0)
    result = correct(
        axis,
        np.diag([(sigma * ARCSEC_RAD) ** 2 for sigma in sigmas]),
        target,
        tolerance_rad=TOLERANCE,
        held=held,
        trustworthy=trustworthy,
        bolt_turns=BoltTurns(
            azimuth_rad=-azimuth_error * ARCSEC_RAD,
            altitude_rad=-altitude_error * ARCSEC_RAD * tilted,
        ),
    )
    both = result.altitude_reach.within and result.azimuth_reach.within
    assert both == (result.verdict is Verdict.GOOD_ENOUGH)
    for words, reach in (
        (result.altitude_words, result.altitude_reach),
        (result.azimuth_words, result.azimuth_reach),
    ):
        assert says_leave(words) or not reach.within
        assert ("as it is" in words) == reach.within


def test_a_bolt_that_is_home_is_left_while_the_other_has_far_to_go():
    result = _correct(axis_at(47.0 + 20.0 / 3600.0, 2.0), axis_at(47.0, 0.0))
    assert result.verdict is Verdict.NOT_YET
    assert result.altitude_words == "leave the altitude as it is"
    assert result.azimuth_words.startswith("turn the mount head")


def test_an_error_inside_and_its_margin_outside_is_not_called_at_home():
    """50 arcsec and two times 8 of 60: not yet, and words and rooms say so."""
    eight = np.eye(2) * (8.0 * ARCSEC_RAD) ** 2
    result = _correct(axis_at(47.0 + 50.0 / 3600.0, 0.0), axis_at(47.0, 0.0), eight)
    assert result.verdict is Verdict.NOT_YET
    assert not result.altitude_reach.within
    assert result.altitude_words == "lower the axis 50 arcsec"


def test_what_is_hidden_in_noise_waits_for_more_frames():
    coarse = np.eye(2) * (26.0 * ARCSEC_RAD) ** 2
    result = _correct(axis_at(47.0 + 25.0 / 3600.0, 0.0), axis_at(47.0, 0.0), coarse)
    assert result.verdict is Verdict.NOT_YET
    assert result.altitude_words == "leave the altitude for now: it is not known well enough yet"


def test_one_sentence_has_one_clockwise_and_says_of_what():
    head = azimuth_words(-7.5 * ARCMIN_RAD, 0.0, 0.0)
    assert head == "turn the mount head 7.5 arcmin toward the east (clockwise seen from above)"
    assert with_knob(head, "") == head
    both = with_knob(head, "about 1/16 turn anticlockwise")
    assert both == (
        "turn the mount head 7.5 arcmin toward the east; "
        "knob about 1/16 turn anticlockwise as you face it"
    )


def test_a_measurement_coarser_than_the_tolerance_cannot_tell():
    assert judge(30.0, 40.0, 60.0, trustworthy=True) is Verdict.CANNOT_TELL
    assert judge(300.0, 40.0, 60.0, trustworthy=True) is Verdict.NOT_YET


@given(small=st.floats(1e-6, 0.1), factor=st.floats(1.0, 10.0), tolerance=st.floats(1e-5, 1e-3))
def test_closeness_never_rises_with_the_error(small, factor, tolerance):
    assert 0 <= closeness(small * factor, tolerance) <= closeness(small, tolerance) <= 100


def test_good_enough_does_not_flicker_at_the_edge_and_never_holds_outside():
    """Held up to 1.12 times the tolerance with its margin; the error itself stays inside."""
    tolerance, sigma = 60.0 * ARCSEC_RAD, 5.0 * ARCSEC_RAD

    def verdict(error_arcsec, held):
        return judge(error_arcsec * ARCSEC_RAD, sigma, tolerance, trustworthy=True, held=held)

    assert verdict(49.0, held=False) is Verdict.GOOD_ENOUGH
    assert verdict(52.0, held=False) is Verdict.NOT_YET
    assert verdict(52.0, held=True) is Verdict.GOOD_ENOUGH
    assert verdict(58.0, held=True) is Verdict.NOT_YET
    tight = 0.5 * ARCSEC_RAD
    assert judge(60.5 * ARCSEC_RAD, tight, tolerance, trustworthy=True, held=True) is (
        Verdict.NOT_YET
    )
    assert judge(0.0, tight, tolerance, trustworthy=False, held=True) is Verdict.CANNOT_TELL


def test_the_words_tell_what_the_bolts_have_to_do_on_a_tilted_base():
    axis, target = axis_at(33.0, 181.0), axis_at(34.0, 180.0)
    turns = BoltTurns(azimuth_rad=-50.0 * ARCMIN_RAD, altitude_rad=57.0 * ARCMIN_RAD)
    told = correct(
        axis, np.eye(2) * ARCSEC_RAD**2, target, tolerance_rad=ARCMIN_RAD, bolt_turns=turns
    )
    assert told.altitude_words == "raise the axis 57.0 arcmin"
    assert told.azimuth_words.startswith("turn the mount head 50.0 arcmin toward the east")
    assert told.altitude_error_arcmin == pytest.approx(-60.0)


@pytest.mark.parametrize(
    ("arcmin", "sigma_arcmin", "said"),
    [
        (34.6, 0.2, "34.6 arcmin"),
        (34.6, 2.0, "35 arcmin"),
        (36.4, 20.0, "35 arcmin"),
        (0.4, 20.0, "5 arcmin"),
        (200.0, 0.2, "3.3 deg"),
        (200.0, 45.0, "3.5 deg"),
    ],
)
def test_amounts_are_told_no_finer_than_they_are_known(arcmin, sigma_arcmin, said):
    assert amount_words(arcmin * ARCMIN_RAD, sigma_arcmin * ARCMIN_RAD) == said


@pytest.mark.parametrize("told_part", [0.85, 1.15])
def test_on_a_tilted_base_a_bolt_is_home_by_the_whole_error_and_not_by_its_turn(told_part):
    """56 arcsec and two times 4 of 60 are outside, whatever the bolt's own turn amounts to."""
    sigma = np.eye(2) * (4.0 * ARCSEC_RAD) ** 2
    for total, inside in ((56.0, False), (48.0, True)):
        told = correct(
            axis_at(34.0 + total / 3600.0, 180.0),
            sigma,
            axis_at(34.0, 180.0),
            tolerance_rad=60.0 * ARCSEC_RAD,
            bolt_turns=BoltTurns(azimuth_rad=0.0, altitude_rad=-total * told_part * ARCSEC_RAD),
        )
        assert (told.altitude_reach.within and told.azimuth_reach.within) is inside


def test_sigmas_are_told_in_the_unit_and_the_sense_of_their_errors():
    """The azimuth's is that of the angle at the zenith: on the sky over the altitude's cosine."""
    sigmas = np.diag([3.0, 5.0]) * ARCSEC_RAD
    told = _correct(axis_at(60.0, 0.2), axis_at(60.0, 0.0), sigmas**2)
    assert told.azimuth_error_sigma_arcmin == pytest.approx(2.0 * 3.0 / 60.0)
    assert told.altitude_error_sigma_arcmin == pytest.approx(5.0 / 60.0)
    assert told.total_error_sigma_arcmin == pytest.approx(5.0 / 60.0)
    assert told.azimuth_error_arcmin == pytest.approx(12.0)
    assert told.azimuth_error_on_sky_arcmin == pytest.approx(6.0)


def test_a_verdict_is_held_only_where_somebody_says_that_it_stood():
    total, sigma = 55.0 * ARCSEC_RAD, 5.0 * ARCSEC_RAD
    assert judge(total, sigma, TOLERANCE, trustworthy=True) is Verdict.NOT_YET
    assert judge(total, sigma, TOLERANCE, trustworthy=True, held=True) is Verdict.GOOD_ENOUGH


@pytest.mark.parametrize("told_part", [0.85, 1.0, 1.15])
@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_a_bolt_alone_has_all_the_room_and_the_other_what_is_left(told_part, sense):
    """Of a tolerance of 60 arcsec: an error of 45, margin 8; root((60 - 8)^2 - 45^2) + 8 left."""
    told = correct(
        axis_at(60.0 + sense * 45.0 / 3600.0, 180.0),
        np.eye(2) * (4.0 * ARCSEC_RAD) ** 2,
        axis_at(60.0, 180.0),
        tolerance_rad=60.0 * ARCSEC_RAD,
        bolt_turns=BoltTurns(azimuth_rad=0.0, altitude_rad=-sense * 45.0 * told_part * ARCSEC_RAD),
    )
    assert told.verdict is Verdict.GOOD_ENOUGH
    # The altitude bolt's room is told in its own turns, the azimuth's at the zenith.
    assert told.altitude_reach.room_arcmin == pytest.approx(told_part, rel=1e-6)
    left = math.sqrt(52.0**2 - 45.0**2) + 8.0
    assert told.azimuth_reach.room_arcmin == pytest.approx(
        max(left, 60.0 * math.sqrt(0.5)) / 60.0 / 0.5 * told_part, rel=1e-3
    )
