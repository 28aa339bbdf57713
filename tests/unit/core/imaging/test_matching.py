"""Pairs of found and catalogue stars, and the odds of chance."""

import numpy as np
import pytest
from scipy.stats import binom

from polewright.core.imaging.matching import (
    CameraGuess,
    log10_attitudes,
    log10_chance,
    match,
    project,
    tangent_from_pixels,
    undistorted,
)
from polewright.core.imaging.stars import StarList
from tests.unit.core.imaging.rendering import Sensor, attitude, sky

SCALE = 16.0


def star_list(x, y, width=1280, height=960):
    return StarList(
        x_px=np.asarray(x, dtype=float),
        y_px=np.asarray(y, dtype=float),
        flux=np.ones(len(x)),
        sigma_px=np.full(len(x), 0.05),
        fwhm_px=3.0,
        saturated_fraction=0.0,
        background_adu=0.0,
        noise_adu=1.0,
        width_px=width,
        height_px=height,
    )


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("bend", [0.0, 0.003])
def test_projection_and_pixels_agree_with_another_projection(mirrored, bend):
    truth = attitude(201.0, 33.0, 77.0)
    x, y, _, icrs = sky(truth, Sensor(), SCALE, mirrored=mirrored, bend=bend)
    guess = CameraGuess(camera_from_icrs=truth, scale_arcsec_px=SCALE, mirrored=mirrored)
    places, front = project(icrs, guess)
    measured = undistorted(tangent_from_pixels(x, y, 1280, 960, mirrored=mirrored), -bend, 800.0)
    assert front.all()
    assert np.abs(places - measured).max() < (1e-6 if bend == 0.0 else 0.05)


def test_directions_behind_the_camera_are_told():
    guess = CameraGuess(camera_from_icrs=np.eye(3), scale_arcsec_px=SCALE, mirrored=False)
    places, front = project(np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), guess)
    assert front.tolist() == [True, False, False]
    assert np.isfinite(places).all()


def test_every_star_finds_itself_and_nothing_else():
    truth = attitude(10.0, -50.0, 200.0)
    x, y, flux, icrs = sky(truth, Sensor(), SCALE)
    order = np.argsort(-flux)
    icrs, x, y = icrs[order], x[order], y[order]
    guess = CameraGuess(camera_from_icrs=truth, scale_arcsec_px=SCALE, mirrored=False)
    on_sensor = np.flatnonzero((x > 0) & (x < 1279) & (y > 0) & (y < 959))
    shuffled = np.random.default_rng(1).permutation(on_sensor)[:50]
    matching = match(star_list(x[shuffled], y[shuffled]), icrs, guess, 0.1)
    np.testing.assert_array_equal(matching.catalogue, shuffled[matching.found])
    assert matching.found.size == 50
    assert matching.catalogue_inside.size >= on_sensor.size


def test_one_catalogue_star_is_given_to_one_found_star():
    truth = attitude(10.0, -50.0, 0.0)
    x, y, _, icrs = sky(truth, Sensor(), SCALE)
    guess = CameraGuess(camera_from_icrs=truth, scale_arcsec_px=SCALE, mirrored=False)
    twins = star_list([x[3] + 0.1, x[3] - 0.4], [y[3], y[3]])
    matching = match(twins, icrs, guess, 2.0)
    assert matching.found.tolist() == [0]


def test_nothing_matches_nothing():
    guess = CameraGuess(camera_from_icrs=np.eye(3), scale_arcsec_px=SCALE, mirrored=False)
    assert match(star_list([], []), np.eye(3), guess, 2.0).found.size == 0
    assert match(star_list([5.0], [5.0]), np.zeros((0, 3)), guess, 2.0).found.size == 0


@pytest.mark.parametrize(("matched", "found", "inside"), [(8, 10, 30), (20, 40, 100), (5, 60, 60)])
def test_chance_is_the_binomial_tail_of_scipy(matched, found, inside):
    radius, area = 2.0, 1280.0 * 960.0
    share = inside * np.pi * radius**2 / area
    expected = np.log10(binom.sf(matched - 3, found - 2, share))
    ours = log10_chance(matched, found, inside, radius, area)
    assert ours == pytest.approx(min(0.0, expected), abs=1e-6)


def test_chance_agrees_with_random_stars():
    """Random stars against a random sky match as the bound says, within statistics."""
    rng = np.random.default_rng(2)
    guess = CameraGuess(camera_from_icrs=np.eye(3), scale_arcsec_px=SCALE, mirrored=False)
    trials, hits = 300, 0
    for _ in range(trials):
        offsets = rng.uniform(-1.0, 1.0, (200, 2)) * [640.0, 480.0] * np.deg2rad(SCALE / 3600.0)
        icrs = np.column_stack([np.ones(200), offsets])
        icrs /= np.linalg.norm(icrs, axis=1)[:, None]
        stars = star_list(rng.uniform(0, 1279, 50), rng.uniform(0, 959, 50))
        hits += match(stars, icrs, guess, 3.0).found.size
    share = 200 * np.pi * 9.0 / (1280 * 960)
    assert hits / trials / 50 == pytest.approx(share, rel=0.15)


def test_no_evidence_is_no_evidence():
    assert log10_chance(2, 100, 50, 2.0, 1e6) == 0.0
    assert log10_chance(0, 0, 0, 2.0, 1e6) == 0.0


def test_a_hint_leaves_fewer_attitudes_to_compete():
    whole = log10_attitudes(6.4, 2.0, 1280, 960)
    cone = log10_attitudes(6.4, 2.0, 1280, 960, sky_sr=4.0 * np.pi / 1000.0)
    assert whole - cone == pytest.approx(3.0)
    assert 12.0 < whole < 16.0
