"""Bright points by day: Venus and Jupiter found, with their phase, and nothing where none is."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.core.errors import MeasurementError
from polewright.core.imaging.bright_points import find_bright_point
from polewright.core.imaging.phases import Surface, photocentre_shift
from tests.unit.core.imaging.disc_rendering import Scene, clouds, draw, expose
from tests.unit.core.imaging.rendering import Sensor
from tests.unit.core.imaging.rendering import expose as expose_stars

JUPITER = Scene(
    width_px=320, height_px=240, x_px=158.3, y_px=121.6, radius_px=2.5, law="venus",
    sky_adu=20000.0, bright_adu=9000.0,
)  # fmt: skip


def test_jupiter_is_centred_in_a_bright_sky_within_its_sigma():
    rng = np.random.default_rng(51)
    errors, sigmas = [], []
    for _ in range(12):
        scene = replace(JUPITER, x_px=160 + rng.uniform(-80, 80), y_px=120 + rng.uniform(-60, 60))
        point = find_bright_point(draw(scene, rng), radius_px=2.5)
        errors += [point.x_px - scene.x_px, point.y_px - scene.y_px]
        sigmas.append(point.sigma_px)
    assert np.sqrt(np.mean(np.square(errors))) < 0.1
    assert np.sqrt(np.mean(np.square(errors))) < 2.0 * np.median(sigmas)


@pytest.mark.parametrize("toward", [0.4, None])
def test_the_phase_of_venus_is_taken_off_or_told(toward):
    rng = np.random.default_rng(52)
    scene = replace(
        JUPITER, radius_px=4.0, phase_angle_rad=2.0, bright_limb_rad=0.4, bright_adu=30000.0
    )
    point = find_bright_point(
        draw(scene, rng), radius_px=4.0, phase_angle_rad=2.0, toward_light_rad=toward
    )
    shift = 4.0 * photocentre_shift(2.0, Surface.CLOUDS)
    assert shift > 2.0
    off = math.hypot(point.x_px - scene.x_px, point.y_px - scene.y_px)
    assert off < 3.0 * point.sigma_px
    if toward is not None:
        assert off < 0.3 * shift


def test_the_photocentre_is_that_of_the_closed_forms():
    """Source: own integral: a half-lit globe of even light has its middle at 4 / (3 pi) of the
    radius; Lambert's law brings it nearer to the limb, a full one keeps it at the centre."""
    assert photocentre_shift(0.0, Surface.CLOUDS) == pytest.approx(0.0, abs=1e-3)
    half = photocentre_shift(math.pi / 2, Surface.CLOUDS)
    # Lambert at quadrature: integral of x^2 over that of x, half a unit disc: 3 pi / 16.
    assert half == pytest.approx(3.0 * math.pi / 16.0, abs=2e-3)
    assert half > 4.0 / (3.0 * math.pi)


def _nothing(rng):
    shape = (240, 320)
    scene = replace(JUPITER)
    yield expose(scene, np.full(shape, 20000.0), rng)
    yield expose(scene, clouds(scene, rng) * 20000.0 + 3000.0, rng)
    hard = np.where(clouds(scene, rng, 1.8) > 0.5, 20000.0, 9000.0)
    yield expose(scene, hard, rng)
    count = int(rng.integers(15, 200))
    yield expose_stars(
        Sensor(width_px=320, height_px=240), rng.uniform(0, 320, count), rng.uniform(0, 240, count),
        10 ** rng.uniform(3.5, 5.5, count), rng,
    )  # fmt: skip


def test_a_blank_a_cloud_and_a_star_field_have_no_single_point():
    rng = np.random.default_rng(53)
    for _ in range(12):
        for frame in _nothing(rng):
            with pytest.raises(MeasurementError) as caught:
                find_bright_point(frame)
            assert caught.value.code in ("no_point", "several_points")


def test_a_hot_pixel_is_no_planet():
    rng = np.random.default_rng(54)
    pixels = np.array(draw(replace(JUPITER, bright_adu=0.001), rng).pixels)
    pixels[100, 200] = 60000
    with pytest.raises(MeasurementError):
        find_bright_point(replace(draw(JUPITER, rng), pixels=pixels))
