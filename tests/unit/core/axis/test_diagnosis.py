"""Frames that disagree are explained by what really happened, or by nothing."""

import numpy as np
import pytest

from polewright.core.axis.diagnosis import Cause, diagnose
from polewright.core.geometry.directions import ARCSEC_RAD, any_perpendiculars
from polewright.core.geometry.rotations import rotation_about, rotation_from_vector
from tests.unit.core.axis.skies import axis_at, first_attitude, observe

AXIS = axis_at(33, 181)
TURNS = np.radians([0, 18, 36, 54, 72])


def _frames(rng, declination, *, slip=0.0, bump=0.0, after=3, roll=None):
    start = first_attitude(AXIS, declination)
    in_camera = start.T @ AXIS
    declination_axis = np.cross(in_camera, [1.0, 0.0, 0.0])
    declination_axis /= np.linalg.norm(declination_axis)
    across = any_perpendiculars(AXIS)[0]
    frames = []
    for index, turn in enumerate(TURNS):
        attitude = rotation_about(AXIS, turn) @ start
        if index >= after:
            attitude = rotation_about(across, bump * ARCSEC_RAD) @ attitude
            attitude = attitude @ rotation_about(declination_axis, slip * ARCSEC_RAD)
        if roll is not None:
            attitude = attitude @ rotation_from_vector(np.array([rng.normal() * roll, 0, 0]))
        frames.append(observe(rng, attitude, label=str(index)))
    return frames


@pytest.mark.parametrize("declination", [80, 45, 0, -30])
@pytest.mark.parametrize("after", [2, 3])
def test_a_slipped_declination_axis_is_named_with_its_moment_and_size(declination, after):
    rng = np.random.default_rng(declination + 100)
    found = diagnose(_frames(rng, declination, slip=300.0, after=after))
    assert found.cause is Cause.DECLINATION_MOVED
    assert found.after_frame == after
    assert found.size_arcsec == pytest.approx(300.0, abs=60.0)
    assert "declination" in found.words


@pytest.mark.parametrize("declination", [80, 45, 0])
def test_a_bumped_tripod_is_named(declination):
    """A bump that no slip of declination explains; near a tie the simpler cause may win."""
    rng = np.random.default_rng(declination + 7)
    found = [diagnose(_frames(rng, declination, bump=600.0, after=3)) for _ in range(10)]
    named = [one for one in found if one.cause is Cause.TRIPOD_MOVED]
    assert len(named) >= 8
    assert {one.after_frame for one in named} == {3}


def test_a_camera_that_is_turned_by_a_rotator_is_named():
    rng = np.random.default_rng(3)
    found = diagnose(_frames(rng, 30, roll=0.5))
    assert found.cause is Cause.ROLL_UNTRUSTED


def test_several_faults_at_once_are_not_explained_away():
    rng = np.random.default_rng(3)
    frames = _frames(rng, 45, slip=400.0, after=1)
    moved = [
        observe(
            rng, one.enu_from_camera @ rotation_from_vector(rng.normal(size=3) * 500 * ARCSEC_RAD)
        )
        for one in frames
    ]
    assert diagnose(moved).cause is Cause.UNKNOWN


def test_three_frames_are_too_few_to_say():
    rng = np.random.default_rng(3)
    assert diagnose(_frames(rng, 45, slip=400.0)[:3]).cause is Cause.UNKNOWN
