"""Rendered discs for tests: limb darkening, phases, spots, clouds, reflections, photons.

Shares nothing with the code under test.  Drawn four times finer than the pixels, blurred by the
seeing, summed.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import affine_transform, gaussian_filter

from polewright.core.imaging.frame import Frame

# Limb darkening of the Sun at 550 nm, I(mu)/I(1) = 1 - u - v + u mu + v mu^2: Cox (ed.), Allen's
# Astrophysical Quantities, 4th ed. 2000, u = 0.93, v = -0.23 (from memory).
SUN_U, SUN_V = 0.93, -0.23
FINE = 4


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One picture: where the disc is (column, row), how large, how it is lit."""

    x_px: float = 320.3
    y_px: float = 240.7
    radius_px: float = 120.0
    width_px: int = 640
    height_px: int = 480
    law: str = "sun"
    phase_angle_rad: float = 0.0
    bright_limb_rad: float = 0.0
    bright_adu: float = 30000.0
    sky_adu: float = 300.0
    seeing_px: float = 1.2
    spots: int = 0
    cloud: float = 0.0
    ghost: float = 0.0
    ghost_shift: tuple[float, float] = (90.0, -60.0)
    electrons_per_adu: float = 1.0
    read_noise_adu: float = 10.0
    full_adu: float = 65535.0
    bayer_pattern: str | None = None


def disc_brightness(scene: Scene, rng, x_px: float, y_px: float):
    """Return the disc alone, 0 to 1, on the fine grid."""
    columns = (np.arange(scene.width_px * FINE) + 0.5) / FINE - 0.5
    rows = (np.arange(scene.height_px * FINE) + 0.5) / FINE - 0.5
    across = (columns[None, :] - x_px) / scene.radius_px
    down = (rows[:, None] - y_px) / scene.radius_px
    square = across**2 + down**2
    inside = square < 1.0
    toward_us = np.sqrt(np.clip(1.0 - square, 0.0, 1.0))
    if scene.law == "sun":
        light = 1.0 - SUN_U - SUN_V + SUN_U * toward_us + SUN_V * toward_us**2
        for _ in range(scene.spots):
            angle, far = rng.uniform(0, 2 * np.pi), math.sqrt(rng.uniform(0, 0.97))
            size = rng.uniform(0.01, 0.06)
            near = (across - far * math.cos(angle)) ** 2 + (down - far * math.sin(angle)) ** 2
            squeezed = size * max(0.3, math.sqrt(1 - far**2))
            light = light * np.where(near < squeezed**2, 0.3, 1.0)
    else:
        along = across * math.cos(scene.bright_limb_rad) + down * math.sin(scene.bright_limb_rad)
        sine, cosine = math.sin(scene.phase_angle_rad), math.cos(scene.phase_angle_rad)
        sunward = np.clip(along * sine + toward_us * cosine, 0.0, None)
        if scene.law == "venus":  # Lambert
            light = sunward
        else:  # Lommel and Seeliger, as the Moon's dust
            light = 2.0 * sunward / np.maximum(sunward + toward_us, 1e-6)
    return np.where(inside, light, 0.0)


def blocks(fine):
    height, width = fine.shape
    return fine.reshape(height // FINE, FINE, width // FINE, FINE).mean(axis=(1, 3))


def draw(scene: Scene, rng) -> Frame:
    """Return the frame."""
    fine = disc_brightness(scene, rng, scene.x_px, scene.y_px)
    if scene.ghost:
        shift_x, shift_y = scene.ghost_shift
        other = replace(scene, spots=0)
        fine = fine + scene.ghost * disc_brightness(
            other, rng, scene.x_px + shift_x, scene.y_px + shift_y
        )
    picture = blocks(gaussian_filter(fine, scene.seeing_px * FINE)) * scene.bright_adu
    if scene.cloud:
        veil = clouds(scene, rng)
        picture = picture * (1.0 - scene.cloud * veil)
        # What the veil takes away it scatters about the disc.
        picture += gaussian_filter(picture, 40.0) * scene.cloud * veil
    return expose(scene, picture + scene.sky_adu, rng)


def clouds(scene: Scene, rng, roughness: float = 2.0):
    """Return 0 to 1: octaves of smooth noise."""
    total = np.zeros((scene.height_px, scene.width_px))
    for octave in range(1, 6):
        cells = 2**octave
        coarse = rng.normal(size=(cells + 3, cells + 3))
        # Only the part that is shown of the whole enlarged to (pixels / cells + 1) times.
        whole = [round((cells + 3) * (side / cells + 1)) for side in total.shape]
        steps = [(cells + 2) / (side - 1) for side in whole]
        smooth = affine_transform(coarse, steps, output_shape=total.shape, order=3)
        total += smooth / roughness**octave
    return np.clip(0.5 + 0.5 * total / (3.0 * total.std()) * 1.5, 0.0, 1.0)


def expose(scene: Scene, picture, rng) -> Frame:
    """Return a frame of a brightness (ADU): photons, read noise, full wells."""
    electrons = rng.poisson(np.maximum(picture, 0.0) * scene.electrons_per_adu)
    noisy = electrons / scene.electrons_per_adu
    noisy = noisy + rng.normal(0.0, scene.read_noise_adu, picture.shape)
    return Frame(
        pixels=np.clip(np.rint(noisy), 0.0, scene.full_adu).astype(np.uint16),
        saturation=scene.full_adu,
        electrons_per_adu=scene.electrons_per_adu,
        bayer_pattern=scene.bayer_pattern,
    )
