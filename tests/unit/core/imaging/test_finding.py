"""Star centres, and whether their sigma tells the truth."""

import time

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import is_trailed
from tests.unit.core.imaging.rendering import Sensor, expose


def rendered_grid(sensor, rng, *, faint=2.9, bright=4.8):
    """Return a frame with isolated stars near a grid, at any pixel phase, and their truth."""
    columns, rows = np.meshgrid(
        np.arange(40, sensor.width_px - 30, 64), np.arange(40, sensor.height_px - 30, 64)
    )
    x = columns.ravel() + rng.uniform(-6, 6, columns.size)
    y = rows.ravel() + rng.uniform(-6, 6, columns.size)
    flux = 10.0 ** rng.uniform(faint, bright, columns.size)
    return expose(sensor, x, y, flux, rng), x, y, flux


def paired(stars, x, y, radius_px=2.0):
    """Return indices of found stars and of the truth that belong together."""
    distance = np.hypot(stars.x_px[:, None] - x, stars.y_px[:, None] - y)
    truth = distance.argmin(axis=1)
    near = distance.min(axis=1) < radius_px
    return np.flatnonzero(near), truth[near]


@pytest.mark.parametrize("bayer_pattern", [None, "RGGB"])
@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 4.5, 7.0])
def test_scatter_of_centres_agrees_with_their_sigma(fwhm_px, bayer_pattern):
    """The standardised scatter is 1: within 0.85 to 1.15 over 1000 stars, statistics 0.02."""
    rng = np.random.default_rng(int(10 * fwhm_px) + (bayer_pattern is not None))
    sensor = Sensor(fwhm_px=fwhm_px, bayer_pattern=bayer_pattern)
    standardised, offsets, faint = [], [], []
    for _ in range(4):
        # 20 ADU of noise in sqrt(4 pi) sigma pixels: signal to noise from 8 up
        faint_flux = 8.0 * 20.0 * 3.54 * fwhm_px / 2.3548
        frame, x, y, flux = rendered_grid(sensor, rng, faint=np.log10(faint_flux))
        stars = find_stars(frame, limit=500)
        found, truth = paired(stars, x, y)
        assert found.size > 0.9 * x.size
        offset = np.column_stack([stars.x_px[found] - x[truth], stars.y_px[found] - y[truth]])
        standardised.append(offset / stars.sigma_px[found, None])
        offsets.append(offset[flux[truth] > 10.0 * faint_flux])
        faint.append(np.abs(standardised[-1])[flux[truth] < 3.0 * faint_flux])
    assert 0.85 < np.concatenate(standardised).std() < 1.15
    assert np.concatenate(faint).mean() == pytest.approx(np.sqrt(2 / np.pi), rel=0.2)
    assert np.abs(np.concatenate(offsets).mean(axis=0)).max() < 0.02


def test_sigma_falls_with_brightness_as_photons_allow():
    """Ten times the light in a sky-limited star is a tenth of the sigma."""
    rng = np.random.default_rng(2)
    sensor = Sensor(sky_adu=2000.0, read_noise_adu=30.0)
    frame = expose(sensor, [200.3, 600.7], [300.2, 500.9], [3000.0, 30_000.0], rng)
    stars = find_stars(frame)
    assert stars.sigma_px[1] / stars.sigma_px[0] == pytest.approx(8.0, rel=0.3)


def test_a_mosaic_gives_places_in_full_frame_pixels():
    """Binning 2 x 2 moves centres by half a pixel, which must be undone: 0.02 px."""
    rng = np.random.default_rng(4)
    x, y = np.array([101.0, 402.5, 800.25]), np.array([77.0, 333.5, 610.75])
    for pattern in (None, "GRBG"):
        sensor = Sensor(fwhm_px=5.0, bayer_pattern=pattern)
        stars = find_stars(expose(sensor, x, y, [2e6, 1e6, 5e5], rng))
        np.testing.assert_allclose(stars.x_px, x, atol=0.02)
        np.testing.assert_allclose(stars.y_px, y, atol=0.02)
        assert stars.fwhm_px == pytest.approx(5.0, rel=0.1)


def test_flux_and_order_are_those_of_the_sky():
    rng = np.random.default_rng(5)
    frame, x, y, flux = rendered_grid(Sensor(), rng, faint=4.0)
    stars = find_stars(frame)
    assert np.all(np.diff(stars.flux) <= 0.0)
    found, truth = paired(stars, x, y)
    np.testing.assert_allclose(stars.flux[found] / flux[truth], 1.0, atol=0.12)


def test_hot_pixels_are_not_stars():
    rng = np.random.default_rng(6)
    frame, x, y, _ = rendered_grid(Sensor(hot_pixels=400), rng, faint=3.5)
    stars = find_stars(frame, limit=1000)
    found, _ = paired(stars, x, y)
    assert found.size > 0.95 * x.size
    assert len(stars) - found.size <= 8  # two hot pixels side by side may pass


def test_noise_alone_gives_next_to_nothing():
    rng = np.random.default_rng(7)
    counts = [len(find_stars(expose(Sensor(), [], [], [], rng))) for _ in range(5)]
    assert np.mean(counts) <= 1.0


@pytest.mark.parametrize("value", [0, 1, 500, 65535])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_a_black_white_or_even_frame_has_no_stars(value, dtype):
    value = min(value, 255) if dtype == np.uint8 else value
    stars = find_stars(Frame(pixels=np.full((96, 128), value, dtype=dtype)))
    assert len(stars) == 0
    assert np.isnan(stars.fwhm_px)
    assert stars.background_adu == pytest.approx(value)


@pytest.mark.parametrize(
    "pixels",
    [
        np.tile(np.arange(128, dtype=np.uint16) * 300, (96, 1)),
        np.kron(np.indices((12, 16)).sum(axis=0) % 2, np.ones((8, 8))).astype(np.uint8) * 255,
        np.random.default_rng(0).integers(0, 2, (480, 640)).astype(np.uint8) * 255,
        np.random.default_rng(0).integers(0, 65535, (480, 640)).astype(np.uint16),
        np.zeros((16, 16), dtype=np.uint8) + np.eye(16, dtype=np.uint8),
        np.full((64, 64), -5.0, dtype=np.float32),
    ],
)
def test_odd_pictures_are_survived(pixels):
    stars = find_stars(Frame(pixels=pixels, saturation=255.0))
    assert np.isfinite(stars.x_px).all()
    assert np.isfinite(stars.sigma_px).all()


def test_stars_over_a_perfectly_black_sky_are_found():
    """A phone's or an 8-bit camera's sky may have no noise at all."""
    sensor = Sensor(sky_adu=0.0, read_noise_adu=0.0)
    x, y = [100.2, 300.6, 500.1], [80.4, 200.9, 400.0]
    picture = expose(sensor, x, y, [3e4, 2e4, 1e4], np.random.default_rng(8))
    dark = np.maximum(picture.pixels.astype(float) / 256.0 - 1.0, 0.0).astype(np.uint8)
    assert len(find_stars(Frame(pixels=dark))) == 3


def test_saturated_stars_are_noted_and_trusted_less():
    rng = np.random.default_rng(9)
    x, y = [200.0, 500.0, 800.0, 300.0], [200.0, 500.0, 800.0, 700.0]
    stars = find_stars(expose(Sensor(), x, y, [3e6, 1e5, 1e5, 1e5], rng))
    assert stars.saturated_fraction == pytest.approx(0.25)
    assert stars.sigma_px[0] > 0.15
    assert stars.sigma_px[1:].max() < 0.05


def test_gradients_do_not_move_stars():
    rng = np.random.default_rng(10)
    frame, x, y, _ = rendered_grid(Sensor(), rng, faint=4.0)
    glow = np.linspace(0.0, 3000.0, frame.width_px)[None, :] * np.linspace(0, 1, 960)[:, None]
    bright = Frame(pixels=(frame.pixels + glow).astype(np.float32), electrons_per_adu=1.5)
    stars = find_stars(bright)
    found, truth = paired(stars, x, y)
    assert found.size > 0.95 * x.size
    offset = stars.x_px[found] - x[truth]
    assert abs(offset.mean()) < 0.02


def test_the_limit_keeps_the_brightest():
    frame, *_ = rendered_grid(Sensor(), np.random.default_rng(11))
    every, few = find_stars(frame, limit=500), find_stars(frame, limit=20)
    assert len(few) == 20
    np.testing.assert_allclose(few.flux, every.flux[:20], rtol=0.02)


def test_large_frames_take_a_bounded_time():
    """24 million pixels; measured 0.3 s on two cores."""
    rng = np.random.default_rng(12)
    tile = expose(Sensor(width_px=1000, height_px=1000), [300.2], [700.6], [1e5], rng).pixels
    frame = Frame(pixels=np.tile(tile, (4, 6)), electrons_per_adu=1.5)
    began = time.perf_counter()
    stars = find_stars(frame)
    assert time.perf_counter() - began < 3.0
    found, _ = paired(stars, 300.2 + 1000.0 * np.arange(6), np.full(6, 700.6))
    assert found.size == 6


def test_leaves_and_walls_do_not_hide_the_stars():
    """A third of the picture full of bright edges, as blurred by the lens as the stars are.

    Thousands of edges outnumber the stars, so the usual width is not the stars' own; it must
    stay near (it once ran away to ten times) and the stars in the clear part must be found.
    """
    rng = np.random.default_rng(13)
    frame, x, y, _ = rendered_grid(Sensor(), rng, faint=4.0)
    leaves = np.kron(rng.uniform(size=(60, 80)) < 0.3, np.ones((16, 16)))
    leaves[:, 430:] = 0.0
    pixels = frame.pixels + 20_000.0 * gaussian_filter(leaves, 3.0 / 2.3548)
    stars = find_stars(Frame(pixels=pixels.astype(np.float32), electrons_per_adu=1.5), limit=1000)
    assert 1.5 < stars.fwhm_px < 4.5
    clear = x > 470
    found, _ = paired(stars, x[clear], y[clear])
    assert found.size > 0.9 * clear.sum()


@pytest.mark.parametrize("flux_adu", [3e4, 6e6])
def test_trails_are_told_from_stars(flux_adu):
    """Bright ones are long objects, faint ones break up into rows of pieces; stars are neither."""
    rng = np.random.default_rng(14)
    sensor = Sensor()
    x, y = rng.uniform(60, 1220, 30), rng.uniform(60, 900, 30)
    frame = expose(sensor, x, y, np.full(30, flux_adu / 20.0 + 2e4), rng)
    assert not is_trailed(find_stars(frame).elongation)
    along = np.linspace(-25.0, 25.0, 60)
    trail_x = (x[:, None] + along).ravel()
    trail_y = (y[:, None] + 0.3 * along).ravel()
    frame = expose(sensor, trail_x, trail_y, np.full(trail_x.size, flux_adu / 60.0), rng)
    assert is_trailed(find_stars(frame).elongation)


@pytest.mark.parametrize("length_px", [0.0, 9.0, 13.0])
def test_hot_pixels_do_not_hide_how_long_the_stars_are(length_px):
    """Ten hot pixels for each star; as a small camera has them, without a dark.

    A trail is its stars' shape drawn along a line, whose variance is L^2 / 12: a / b is
    sqrt(1 + L^2 / (12 s^2)).  Moments within an isophote come out a little smaller.
    """
    rng = np.random.default_rng(15)
    sensor = Sensor(hot_pixels=300)
    x, y = rng.uniform(60, 1220, 30), rng.uniform(60, 900, 30)
    along = np.linspace(-0.5, 0.5, 60) * length_px
    trail_x, trail_y = (x[:, None] + 0.8 * along).ravel(), (y[:, None] + 0.6 * along).ravel()
    frame = expose(sensor, trail_x, trail_y, np.full(trail_x.size, 6e4 / 60.0), rng)
    sigma_px = sensor.fwhm_px / 2.3548
    law = np.sqrt(1.0 + length_px**2 / (12.0 * sigma_px**2))
    stars = find_stars(frame)
    assert stars.elongation == pytest.approx(law, rel=0.15)
    assert is_trailed(stars.elongation) == (length_px > 0.0)
