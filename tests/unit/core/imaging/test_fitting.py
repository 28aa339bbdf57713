"""Rotation, scale and radial term from matched stars, and an honest covariance."""

import numpy as np
import pytest

from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import rotation_from_vector, vector_from_rotation
from polewright.core.imaging.fitting import fit_camera
from tests.unit.core.imaging.rendering import attitude

SCALE = 6.446
HALF_DIAGONAL = 800.0
TRUTH = attitude(83.0, -41.0, 27.0)


def measured_stars(rng, count, *, sigma_px, floor_px=0.0, radial=0.0):
    """Return (tangent, world, sigma): ideal places are exact, measured ones bent and noisy."""
    ideal = np.column_stack([rng.uniform(-640, 640, count), rng.uniform(-480, 480, count)])
    vectors = np.column_stack([np.ones(count), ideal * SCALE * ARCSEC_RAD])
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    measured = ideal.copy()
    for _ in range(20):  # ideal = measured (1 + k r^2), inverted by iteration
        reach = np.square(measured).sum(axis=1) / HALF_DIAGONAL**2
        measured = ideal / (1.0 + radial * reach)[:, None]
    sigma = np.broadcast_to(sigma_px, count).astype(float)
    noise = np.hypot(sigma, floor_px)
    return measured + rng.normal(size=measured.shape) * noise[:, None], vectors @ TRUTH, sigma


def test_exact_stars_give_the_exact_camera():
    rng = np.random.default_rng(1)
    tangent, world, sigma = measured_stars(rng, 30, sigma_px=1e-6)
    fit = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE * 1.04)
    error = vector_from_rotation(fit.camera_from_world @ TRUTH.T)
    assert np.abs(error).max() < 1e-9
    assert fit.scale_arcsec_px == pytest.approx(SCALE, rel=1e-8)
    assert fit.radial == 0.0
    assert fit.kept.all()


@pytest.mark.parametrize(
    ("count", "sigma_px", "floor_px"),
    [(8, 0.05, 0.0), (40, 0.05, 0.0), (40, 0.02, 0.15), (150, 0.02, 0.1)],
)
def test_the_covariance_is_honest(count, sigma_px, floor_px):
    """Normalised error squared over 400 fits: 3 by expectation.

    Below its expectation only because excess scatter is never subtracted: with few stars the
    covariance is up to 15 % too large, and must not be too small by more than 8 %.
    """
    rng = np.random.default_rng(count)
    normalised, scale_errors = [], []
    for _ in range(400):
        tangent, world, sigma = measured_stars(rng, count, sigma_px=sigma_px, floor_px=floor_px)
        fit = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE)
        error = vector_from_rotation(fit.camera_from_world @ TRUTH.T)
        normalised.append(error @ np.linalg.solve(fit.covariance_rad2, error))
        scale_errors.append((fit.scale_arcsec_px - SCALE) / fit.scale_sigma_arcsec_px)
    assert 0.80 * 3.0 < np.mean(normalised) < 1.08 * 3.0 * (1.0 + 4.0 / count)
    assert 0.85 < np.std(scale_errors) < 1.15
    if floor_px:
        assert fit.floor_px == pytest.approx(floor_px, rel=0.35)


def test_a_radial_term_is_found_where_it_is_and_only_there():
    rng = np.random.default_rng(3)
    tangent, world, sigma = measured_stars(rng, 60, sigma_px=0.05, radial=0.002)
    bent = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE, radial_unit_px=HALF_DIAGONAL)
    assert bent.radial == pytest.approx(0.002, rel=0.05)
    assert bent.rms_px < 0.1
    tangent, world, sigma = measured_stars(rng, 60, sigma_px=0.05)
    plain = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE, radial_unit_px=HALF_DIAGONAL)
    assert plain.radial == 0.0
    few, world, sigma = measured_stars(rng, 10, sigma_px=0.05, radial=0.002)
    assert fit_camera(few, world, sigma, scale_arcsec_px=SCALE, radial_unit_px=1.0).radial == 0.0


@pytest.mark.parametrize("wrong", [1, 4, 8])
def test_mismatched_stars_are_left_out(wrong):
    rng = np.random.default_rng(wrong)
    tangent, world, sigma = measured_stars(rng, 40, sigma_px=0.05)
    tangent[:wrong] += rng.uniform(1.0, 2.5, (wrong, 2))
    fit = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE)
    assert not fit.kept[:wrong].any()
    assert fit.kept[wrong:].sum() >= 40 - wrong - 1
    error = vector_from_rotation(fit.camera_from_world @ TRUTH.T)
    assert error @ np.linalg.solve(fit.covariance_rad2, error) < 14.2  # chi2(3) at 99.7 %


def test_rejection_never_takes_more_than_a_third():
    rng = np.random.default_rng(5)
    tangent, world, sigma = measured_stars(rng, 30, sigma_px=0.05)
    tangent[:14] += rng.uniform(-3.0, 3.0, (14, 2))
    fit = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE)
    assert fit.kept.sum() >= 19


def test_turning_the_world_turns_the_answer():
    rng = np.random.default_rng(6)
    tangent, world, sigma = measured_stars(rng, 25, sigma_px=0.05)
    turn = rotation_from_vector(np.array([0.4, -1.1, 0.7]))
    before = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE)
    after = fit_camera(tangent, world @ turn.T, sigma, scale_arcsec_px=SCALE)
    np.testing.assert_allclose(after.camera_from_world @ turn, before.camera_from_world, atol=1e-9)
    np.testing.assert_allclose(after.covariance_rad2, before.covariance_rad2, rtol=1e-4)


def test_wide_fields_are_fitted_as_well_as_narrow_ones():
    """60 deg across: the projection's own curvature must not look like distortion."""
    rng = np.random.default_rng(7)
    ideal = np.column_stack([rng.uniform(-640, 640, 80), rng.uniform(-480, 480, 80)])
    vectors = np.column_stack([np.ones(80), ideal * 190.0 * ARCSEC_RAD])
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    fit = fit_camera(
        ideal + rng.normal(0, 0.05, ideal.shape),
        vectors @ TRUTH,
        np.full(80, 0.05),
        scale_arcsec_px=200.0,
        radial_unit_px=HALF_DIAGONAL,
    )
    assert fit.scale_arcsec_px == pytest.approx(190.0, rel=1e-4)
    assert fit.radial == 0.0


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_stars_are_refused(count):
    rng = np.random.default_rng(8)
    tangent, world, sigma = measured_stars(rng, count, sigma_px=0.05)
    with pytest.raises(MeasurementError) as refusal:
        fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE)
    assert refusal.value.code == "too_few_stars"


def test_stars_in_one_spot_are_refused():
    rng = np.random.default_rng(9)
    tangent, world, sigma = measured_stars(rng, 6, sigma_px=0.05)
    tangent, world = np.repeat(tangent[:1], 6, axis=0), np.repeat(world[:1], 6, axis=0)
    with pytest.raises(MeasurementError):
        fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE)


def test_a_known_radial_term_serves_where_stars_are_too_few_to_tell_it():
    """Eight stars, a lens that bends by 2.4 px in the corner: scatter goes, the scale is right."""
    rng = np.random.default_rng(21)
    tangent, world, sigma = measured_stars(rng, 8, sigma_px=0.02, radial=0.003)
    blind = fit_camera(tangent, world, sigma, scale_arcsec_px=SCALE, radial_unit_px=HALF_DIAGONAL)
    told = fit_camera(
        tangent, world, sigma,
        scale_arcsec_px=SCALE, radial_unit_px=HALF_DIAGONAL, known_radial=0.003,
    )  # fmt: skip
    assert told.radial == 0.003
    assert told.rms_px < 0.05 < blind.rms_px
    assert told.scale_arcsec_px == pytest.approx(SCALE, rel=2e-5)


def test_stars_enough_correct_a_known_radial_term_that_is_wrong():
    rng = np.random.default_rng(22)
    tangent, world, sigma = measured_stars(rng, 60, sigma_px=0.02, radial=0.003)
    fit = fit_camera(
        tangent, world, sigma,
        scale_arcsec_px=SCALE, radial_unit_px=HALF_DIAGONAL, known_radial=-0.002,
    )  # fmt: skip
    assert fit.radial == pytest.approx(0.003, abs=1e-4)
