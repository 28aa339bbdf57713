"""The best rotation between two sets of directions, and its covariance."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from polewright.core.geometry.rotations import vector_from_rotation
from polewright.core.geometry.wahba import camera_vectors, fit_rotation


def field_of_directions(rng, count, half_width_rad):
    offsets = rng.uniform(-half_width_rad, half_width_rad, (count, 2))
    vectors = np.column_stack([np.ones(count), offsets])
    return vectors / np.linalg.norm(vectors, axis=1)[:, None]


def test_camera_vectors_are_gnomonic():
    vectors = camera_vectors(np.array([[0.0, 0.0], [100.0, 0.0], [0.0, -50.0]]), 3600.0)
    scale = np.deg2rad(1.0)
    np.testing.assert_allclose(vectors[0], [1.0, 0.0, 0.0], atol=1e-15)
    np.testing.assert_allclose(vectors[1, 1] / vectors[1, 0], 100.0 * scale)
    np.testing.assert_allclose(vectors[2, 2] / vectors[2, 0], -50.0 * scale)
    np.testing.assert_allclose(np.linalg.norm(vectors, axis=1), 1.0)


def test_the_rotation_agrees_with_scipy():
    """scipy.spatial.transform.Rotation.align_vectors solves the same problem independently."""
    rng = np.random.default_rng(1)
    world = rng.normal(size=(20, 3))
    world /= np.linalg.norm(world, axis=1)[:, None]
    truth = Rotation.random(rng=1)
    camera = truth.apply(world) + rng.normal(0.0, 1e-3, world.shape)
    camera /= np.linalg.norm(camera, axis=1)[:, None]
    sigma = rng.uniform(0.5e-3, 2e-3, 20)
    rotation, _ = fit_rotation(camera, world, sigma)
    theirs, _ = Rotation.align_vectors(camera, world, weights=sigma**-2)
    np.testing.assert_allclose(rotation, theirs.as_matrix(), atol=1e-12)


def test_the_covariance_is_that_of_many_repetitions():
    rng = np.random.default_rng(2)
    camera = field_of_directions(rng, 15, 0.03)
    truth = Rotation.random(rng=2).as_matrix()
    world = camera @ truth
    sigma = rng.uniform(2e-6, 6e-6, 15)
    errors, covariance = [], np.eye(3)
    for _ in range(2000):
        noisy = camera + rng.normal(size=camera.shape) * sigma[:, None]
        noisy /= np.linalg.norm(noisy, axis=1)[:, None]
        rotation, covariance = fit_rotation(noisy, world, sigma)
        errors.append(vector_from_rotation(rotation @ truth.T))
    errors = np.array(errors)
    normalised = np.einsum("ni,ij,nj->n", errors, np.linalg.inv(covariance), errors)
    assert normalised.mean() == pytest.approx(3.0, rel=0.08)
    np.testing.assert_allclose(errors.std(axis=0), np.sqrt(np.diag(covariance)), rtol=0.06)
    assert covariance[0, 0] > 100.0 * covariance[1, 1]  # roll is the worst known


def test_mirrored_directions_never_give_a_reflection():
    rng = np.random.default_rng(3)
    camera = field_of_directions(rng, 10, 0.1)
    rotation, _ = fit_rotation(camera, camera * [1.0, 1.0, -1.0], np.full(10, 1e-4))
    assert np.linalg.det(rotation) == pytest.approx(1.0)
