"""Rotation vectors and matrices are two names of one thing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from polewright.core.geometry.directions import (
    altaz_from_enu,
    angle_between,
    cross,
    enu_from_altaz,
    sky_tangents,
    wrap_half_turn,
)
from polewright.core.geometry.rotations import (
    nearest_rotation,
    rotation_from_vector,
    rotations_from_vectors,
    vector_from_rotation,
    vectors_from_rotations,
)

vectors = st.tuples(*[st.floats(-1.8, 1.8)] * 3).map(np.array)


@given(vectors)
def test_the_exponential_agrees_with_scipy(vector):
    """Source: scipy.spatial.transform.Rotation."""
    assert rotation_from_vector(vector) == pytest.approx(
        Rotation.from_rotvec(vector).as_matrix(), abs=1e-14
    )


@given(vectors.filter(lambda v: np.linalg.norm(v) < np.pi - 1e-3), st.floats(0, 1))
def test_logarithm_undoes_exponential_at_every_size(vector, scale):
    for size in (1.0, scale, 1e-6, 1e-12):
        small = vector * size
        back = vector_from_rotation(rotation_from_vector(small))
        assert back == pytest.approx(small, rel=1e-9, abs=1e-15)


@given(vectors.filter(lambda v: np.linalg.norm(v) > 0.1))
def test_the_half_turn_has_an_axis(vector):
    axis = vector / np.linalg.norm(vector)
    turn = vector_from_rotation(rotation_from_vector(axis * np.pi))
    assert np.linalg.norm(turn) == pytest.approx(np.pi, abs=1e-6)
    assert abs(axis @ turn) == pytest.approx(np.pi, abs=1e-6)


@given(st.lists(vectors, min_size=1, max_size=5), st.sampled_from([1.0, 1e-3, 1e-9, 0.0]))
def test_many_rotations_at_once_agree_with_scipy_and_come_back(several, size):
    """Source: scipy.spatial.transform.Rotation."""
    stacked = np.array(several) * size
    rotations = rotations_from_vectors(stacked)
    assert rotations == pytest.approx(Rotation.from_rotvec(stacked).as_matrix(), abs=1e-14)
    back = vectors_from_rotations(rotations)
    for one, alone in zip(rotations, back, strict=True):
        assert alone == pytest.approx(vector_from_rotation(one), rel=1e-12, abs=1e-15)


def test_half_turns_among_many_have_their_axes():
    axes = np.array([[0.0, 0.0, 1.0], [0.6, 0.0, 0.8], [0.6, 0.8, 0.0]])
    lengths = np.array([np.pi, 0.3, np.pi])
    turns = vectors_from_rotations(rotations_from_vectors(axes * lengths[:, None]))
    assert np.linalg.norm(turns, axis=1) == pytest.approx(lengths, abs=1e-6)
    assert np.abs(np.sum(axes * turns, axis=1)) == pytest.approx(lengths, abs=1e-6)


@given(vectors)
def test_the_nearest_rotation_to_a_reflection_is_proper(vector):
    rotation = rotation_from_vector(vector)
    assert np.linalg.det(nearest_rotation(rotation @ np.diag([1.0, 1.0, -1.0]))) > 0.99
    assert nearest_rotation(rotation * 1.1) == pytest.approx(rotation, abs=1e-12)


@given(st.floats(-1.5, 1.5), st.floats(0, 6.28))
def test_altitude_and_azimuth_survive_the_round_trip(altitude, azimuth):
    assert altaz_from_enu(enu_from_altaz(altitude, azimuth)) == pytest.approx(
        (altitude, azimuth), abs=1e-12
    )


@given(st.floats(-1.5, 1.5), st.floats(0, 6.28))
def test_sky_tangents_follow_increasing_azimuth_and_altitude(altitude, azimuth):
    """Against finite differences."""
    step = 1e-6
    here = enu_from_altaz(altitude, azimuth)
    along_azimuth, along_altitude = sky_tangents(here)
    assert (enu_from_altaz(altitude + step, azimuth) - here) / step == pytest.approx(
        along_altitude, abs=1e-5
    )
    moved = (enu_from_altaz(altitude, azimuth + step) - here) / (step * np.cos(altitude))
    assert moved == pytest.approx(along_azimuth, abs=1e-5)


@given(vectors, vectors)
def test_the_cross_product_is_that_of_numpy(first, second):
    """Source: numpy.cross, to the last digit."""
    assert (cross(first, second) == np.cross(first, second)).all()


def test_small_angles_are_not_lost_to_rounding():
    here = enu_from_altaz(0.5, 1.0)
    there = enu_from_altaz(0.5 + 1e-10, 1.0)
    assert angle_between(here, there) == pytest.approx(1e-10, rel=1e-5)


@given(st.floats(-50, 50))
def test_wrapping_keeps_the_angle(angle):
    wrapped = wrap_half_turn(angle)
    assert -np.pi < wrapped <= np.pi
    assert np.cos(wrapped - angle) == pytest.approx(1.0)
