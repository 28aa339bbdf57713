"""Discs: centres to a twentieth of a pixel on rendered pictures, and none where none is."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.core.errors import MeasurementError
from polewright.core.imaging.discs import Cut, find_disc
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.phases import Surface, lit_globe, photocentre_shift
from tests.unit.core.imaging.disc_rendering import Scene, clouds, draw, expose
from tests.unit.core.imaging.rendering import Sensor
from tests.unit.core.imaging.rendering import expose as expose_stars

SUN = Scene(x_px=158.3, y_px=121.6, width_px=320, height_px=240, radius_px=70.0)
MOON = replace(SUN, law="moon", sky_adu=8000.0, bright_adu=6000.0)
TWENTIETH = 0.05


def _errors(scene, rng, count=5, **options):
    """Return errors (px) and claimed sigmas of discs at random places."""
    errors, sigmas = [], []
    for _ in range(count):
        placed = replace(scene, x_px=160 + rng.uniform(-20, 20), y_px=120 + rng.uniform(-20, 20))
        disc = find_disc(draw(placed, rng), radius_px=placed.radius_px, **options)
        errors.append((disc.x_px - placed.x_px, disc.y_px - placed.y_px))
        sigmas.append(disc.sigma_px)
    return np.array(errors), np.array(sigmas)


def _rms(errors):
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"spots": 14},
        {"cloud": 0.6, "spots": 5},
        {"bright_adu": 800.0},
        {"bright_adu": 300000.0},
        {"ghost": 0.1, "ghost_shift": (50.0, -30.0)},
        {"bayer_pattern": "RGGB"},
        {"seeing_px": 3.0},
    ],
    ids=["plain", "spots", "thin cloud", "faint", "overexposed", "reflection", "mosaic", "seeing"],
)
def test_the_centre_of_the_sun_is_found_to_a_twentieth_of_a_pixel(change):
    rng = np.random.default_rng(17)
    errors, sigmas = _errors(replace(SUN, **change), rng)
    assert _rms(errors) < TWENTIETH
    assert _rms(errors) < 4.0 * np.median(sigmas) + 0.005
    assert np.median(sigmas) < TWENTIETH


def test_claimed_sigmas_are_honest_over_noise():
    """40 faint suns: the mean normalised error squared of the centre lies within a factor."""
    rng = np.random.default_rng(18)
    scene = replace(SUN, bright_adu=500.0, radius_px=40.0, width_px=160, height_px=160)
    squares = []
    for _ in range(40):
        placed = replace(scene, x_px=80 + rng.uniform(-10, 10), y_px=80 + rng.uniform(-10, 10))
        disc = find_disc(draw(placed, rng), radius_px=40.0)
        error = np.array([disc.x_px - placed.x_px, disc.y_px - placed.y_px])
        squares.append(error @ np.linalg.solve(disc.covariance_px2, error) / 2.0)
    assert 0.6 < np.mean(squares) < 1.5


@pytest.mark.parametrize("out_px", [0.6, 0.2, -0.5])
def test_a_disc_cut_by_the_edge_is_found_from_what_is_there(out_px):
    rng = np.random.default_rng(19)
    scene = replace(SUN, x_px=out_px * SUN.radius_px, spots=5)
    disc = find_disc(draw(scene, rng), radius_px=SUN.radius_px)
    assert disc.cut is Cut.PARTIAL
    error = math.hypot(disc.x_px - scene.x_px, disc.y_px - scene.y_px)
    assert error < TWENTIETH + 2.0 * disc.sigma_px
    assert error < 0.1


@pytest.mark.parametrize("phase", [0.9, math.pi / 2, 2.4])
def test_the_moon_is_centred_on_its_globe_and_not_on_its_light(phase):
    """The light's own middle lies a good part of a radius away."""
    rng = np.random.default_rng(20)
    scene = replace(MOON, phase_angle_rad=phase, bright_limb_rad=rng.uniform(0, 6))
    errors, sigmas = _errors(scene, rng, count=4, phase_angle_rad=phase)
    assert photocentre_shift(phase, Surface.DUST) * scene.radius_px > 8.0
    assert _rms(errors) < TWENTIETH + 0.05 * (phase > 2.0)
    assert (np.abs(errors) < 3.0 * sigmas[:, None]).all()


def test_a_surface_of_another_kind_stays_inside_the_claimed_sigma():
    """Measured as dust, drawn as clouds: what nobody knows of a real surface."""
    rng = np.random.default_rng(21)
    scene = replace(MOON, law="venus", phase_angle_rad=1.4, bright_limb_rad=2.0)
    errors, sigmas = _errors(scene, rng, count=4, phase_angle_rad=1.4)
    assert (np.hypot(*errors.T) < 3.0 * sigmas).all()
    assert _rms(errors) > 0.05, "the two laws do not differ: this checks nothing"


def test_a_small_crescent_of_venus_is_centred():
    rng = np.random.default_rng(22)
    scene = replace(
        MOON, law="venus", radius_px=15.0, phase_angle_rad=2.2, bright_limb_rad=1.0,
        bright_adu=20000.0,
    )  # fmt: skip
    errors, sigmas = _errors(scene, rng, count=4, phase_angle_rad=2.2, surface=Surface.CLOUDS)
    assert _rms(errors) < 0.2
    assert (np.hypot(*errors.T) < 3.0 * sigmas).all()


def _not_discs(rng):
    scene = SUN
    shape = (scene.height_px, scene.width_px)
    yield expose(scene, np.full(shape, rng.uniform(50, 20000)), rng)
    yield expose(scene, clouds(scene, rng) * 20000.0 + 300.0, rng)
    hard = np.where(clouds(scene, rng, 1.8) > 0.5, 20000.0, 2000.0)
    yield expose(scene, hard + clouds(scene, rng) * 3000.0, rng)
    slope = np.linspace(0, 1, shape[1])[None, :] * 15000.0 + np.zeros(shape)
    yield expose(scene, slope, rng)
    count = int(rng.integers(20, 200))
    yield expose_stars(
        Sensor(width_px=shape[1], height_px=shape[0]),
        rng.uniform(0, shape[1], count),
        rng.uniform(0, shape[0], count),
        10 ** rng.uniform(2.5, 6, count),
        rng,
    )


@pytest.mark.parametrize("radius", [None, 70.0, 25.0])
@pytest.mark.parametrize("phase", [0.0, 1.5])
def test_a_blank_a_cloud_a_slope_and_a_star_field_have_no_disc(radius, phase):
    rng = np.random.default_rng(23)
    for _ in range(3):
        for frame in _not_discs(rng):
            with pytest.raises(MeasurementError) as caught:
                find_disc(frame, radius_px=radius, phase_angle_rad=phase)
            assert caught.value.code in ("no_disc", "unsure_disc", "several_discs")


def test_two_discs_alike_are_refused_and_a_disc_of_the_wrong_size_is_none():
    rng = np.random.default_rng(24)
    twins = replace(SUN, radius_px=40.0, x_px=90.0, ghost=0.95, ghost_shift=(130.0, 20.0))
    with pytest.raises(MeasurementError) as caught:
        find_disc(draw(twins, rng), radius_px=40.0)
    assert caught.value.code == "several_discs"
    with pytest.raises(MeasurementError):
        find_disc(draw(SUN, rng), radius_px=40.0)


def test_a_disc_is_found_without_knowing_its_size():
    rng = np.random.default_rng(25)
    disc = find_disc(draw(SUN, rng))
    assert math.hypot(disc.x_px - SUN.x_px, disc.y_px - SUN.y_px) < TWENTIETH
    assert disc.radius_px == pytest.approx(SUN.radius_px, abs=1.0)


@pytest.mark.parametrize(("radius", "phase"), [(None, 0.0), (70.0, 0.0), (70.0, 1.5)])
def test_a_bright_blob_with_a_ragged_edge_is_no_disc(radius, phase):
    """Round on the whole, with bays and tongues of 4 % of its radius: a cloud's."""
    rng = np.random.default_rng(26)
    rows, columns = np.mgrid[0 : SUN.height_px, 0 : SUN.width_px]
    across, down = columns - SUN.x_px, rows - SUN.y_px
    angle = np.arctan2(down, across)
    edge = SUN.radius_px * (1.0 + 0.04 * np.sin(5.0 * angle) + 0.03 * np.sin(13.0 * angle + 1.0))
    blob = 1.0 / (1.0 + np.exp((np.hypot(across, down) - edge) / 0.8))
    with pytest.raises(MeasurementError) as caught:
        find_disc(expose(SUN, 300.0 + 20000.0 * blob, rng), radius_px=radius, phase_angle_rad=phase)
    assert caught.value.code in ("no_disc", "unsure_disc")


@pytest.mark.parametrize("surface", list(Surface))
@pytest.mark.parametrize("radius", [49.0, 145.0])
@pytest.mark.parametrize("phase_deg", [2.0, 6.0, 13.0])
def test_a_nearly_full_globe_is_told_with_the_sigma_of_its_soft_side(
    surface: Surface, radius: float, phase_deg: float
) -> None:
    """Rendered by the scattering laws: errors are within what is claimed, and not far below."""
    rng = np.random.default_rng(7)
    errors, sigmas = [], []
    for toward in np.arange(0.3, 6.2, 1.5):
        x, y = 320.0 + rng.uniform(-2, 2), 240.0 + rng.uniform(-2, 2)
        globe = lit_globe(
            (480, 640), (x, y, radius), phase_angle_rad=math.radians(phase_deg),
            toward_light_rad=float(toward), surface=surface, blur_px=1.0,
        )  # fmt: skip
        picture = globe / globe.max() * 30000.0 + 500.0 + rng.normal(size=globe.shape) * 60.0
        frame = Frame(pixels=np.clip(picture, 0, 65535).astype(np.uint16), saturation=65535.0)
        disc = find_disc(
            frame, radius_px=radius, phase_angle_rad=math.radians(phase_deg), surface=surface
        )
        errors.append(math.hypot(disc.x_px - x, disc.y_px - y))
        sigmas.append(disc.sigma_px)
    error, sigma = float(np.sqrt(np.mean(np.square(errors)))), float(np.mean(sigmas))
    assert 0.35 * sigma < error < 1.25 * sigma
