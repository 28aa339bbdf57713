"""Rendering: from where the stars run over the sensor to what the camera reads out."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.blur import add_star, gaussians
from polewright_drivers.sky_simulator.discs import Disc, add_disc
from polewright_drivers.sky_simulator.optics import scale_arcsec_px
from polewright_drivers.sky_simulator.scenario import CameraTruth, SkyTruth

PHOTONS_S_M2_MAG0 = 2.5e10
"""Photons of a star of G = 0 through the whole Gaia G band above the air, rounded.

From Gaia DR3's photometric zero point (25.687 mag for one electron per second, Riello et al.
2021) and its 0.73 m^2 of mirror at about 0.7 efficiency: 10**(0.4 * 25.687) / 0.5 = 3.7e10,
less a third for air and glass.
"""

_BAYER_WEIGHT = {"R": 0.55, "G": 1.0, "B": 0.5}
_CLOUD_DIMMING_MAG = 9.0
_CLOUD_GLOW_MAG = 1.0
# As much light as a star of this magnitude brings in the whole exposure, along a line.
_SATELLITE_MAG = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Readout:
    """What part of the sensor is read, and how.

    ``gain_factor`` multiplies the values (the camera's gain knob), 1 at its zero.
    """

    left_px: int
    top_px: int
    width_px: int
    height_px: int
    binning: int = 1
    gain_factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trails:
    """Where every star and body was during the exposure, and in what light.

    Attributes
    ----------
    px : ndarray of shape (steps, stars, 2)
        Column and row at the middle of equal shares of the exposure; nan: out of sight.
    mag : ndarray of shape (stars,)
        Magnitudes.
    discs : tuple of Disc
        Sun, Moon and planets in or near the field.
    daylight_mag_arcsec2 : float
        What sunlight adds to the sky; infinite by night.
    glare_mag : float
        Light that the optics spread evenly over the picture.
    solar_filter : bool
        Whether the filter was on.
    """

    px: NDArray[np.float64]
    mag: NDArray[np.float32]
    discs: tuple[Disc, ...] = ()
    daylight_mag_arcsec2: float = math.inf
    glare_mag: float = math.inf
    solar_filter: bool = False


class Renderer:
    """One sensor behind one telescope under one sky.

    Parameters
    ----------
    camera, sky : CameraTruth, SkyTruth
        The hidden truths.
    seed : int
        Fixes the hot pixels; the noise follows from it too.
    """

    def __init__(self, camera: CameraTruth, sky: SkyTruth, seed: int) -> None:
        self._camera = camera
        self._scale = scale_arcsec_px(camera)
        aperture_m2 = math.pi * (camera.aperture_mm / 2000.0) ** 2
        self._electrons_s_mag0 = PHOTONS_S_M2_MAG0 * aperture_m2 * camera.efficiency
        self._arcsec2_mag = 2.5 * math.log10(self._scale**2)
        self._sky_mag_px = sky.brightness_mag_arcsec2 - self._arcsec2_mag
        fwhm_px = math.hypot(
            sky.seeing_fwhm_arcsec / self._scale, sky.optics_fwhm_um / camera.pixel_size_um
        )
        self.fwhm_px = max(fwhm_px, 0.1)
        self._blur = gaussians(self.fwhm_px, sky.moffat_beta)
        fixed = np.random.default_rng([seed, 1])
        shape = (camera.height_px, camera.width_px)
        self._dark_e_s = np.full(shape, camera.dark_current_e_s, dtype=np.float32)
        hot = round(camera.hot_pixel_fraction * camera.height_px * camera.width_px)
        where = fixed.choice(self._dark_e_s.size, size=hot, replace=False)
        self._dark_e_s.flat[where] += fixed.lognormal(math.log(200.0), 1.5, size=hot)
        self._mosaic = _mosaic(camera)
        self._noise = np.random.default_rng([seed, 2])

    def star_electrons(self, mag: float, exposure_s: float) -> float:
        """Return the electrons that a star brings in all (unfiltered pixels)."""
        return float(self._electrons_s_mag0 * 10.0 ** (-0.4 * mag) * exposure_s)

    def expected(
        self, trails: Trails, exposure_s: float, *, clouds: bool = False, satellite: bool = False
    ) -> NDArray[np.float32]:
        """Return the mean number of electrons in every pixel of the whole sensor."""
        dimming = _CLOUD_DIMMING_MAG if clouds else 0.0
        filtered = 2.5 * self._camera.solar_filter_density if trails.solar_filter else 0.0
        sky = self._even_electrons(trails, exposure_s, dimming) * 10.0 ** (-0.4 * filtered)
        picture = np.full(self._dark_e_s.shape, sky, dtype=np.float32)
        dimming += filtered
        for i, mag in enumerate(trails.mag):
            track = trails.px[:, i, :]
            total = self.star_electrons(float(mag) + dimming, exposure_s) / len(track)
            track = track[np.isfinite(track).all(axis=1)]
            if len(track):
                for sigma_px, share in self._blur:
                    add_star(picture, track, sigma_px, total * share)
        if satellite:
            self._draw_satellite(picture, exposure_s, dimming)
        for disc in trails.discs:
            total = self.star_electrons(disc.mag + dimming, exposure_s)
            add_disc(picture, disc, self._blur, total)
        if self._mosaic is not None:
            picture *= self._mosaic
        picture += self._dark_e_s * np.float32(exposure_s)
        return picture

    def _draw_satellite(
        self, picture: NDArray[np.float32], exposure_s: float, dimming_mag: float
    ) -> None:
        """Draw a line from one side of the picture to the other."""
        rows, columns = picture.shape
        left, right = self._noise.uniform(0.0, rows, size=2)
        steps = 2 * columns
        track = np.column_stack((np.linspace(0.0, columns, steps), np.linspace(left, right, steps)))
        total = self.star_electrons(_SATELLITE_MAG + dimming_mag, exposure_s) / steps
        for sigma_px, share in self._blur:
            add_star(picture, track, sigma_px, total * share)

    def _even_electrons(self, trails: Trails, exposure_s: float, dimming_mag: float) -> float:
        """Return what sky and glare bring to every pixel without a filter."""
        brighter = _CLOUD_GLOW_MAG if dimming_mag else 0.0
        night = self.star_electrons(self._sky_mag_px - brighter, exposure_s)
        day_mag_px = trails.daylight_mag_arcsec2 - self._arcsec2_mag
        day = self.star_electrons(day_mag_px - brighter, exposure_s)
        glare = self.star_electrons(trails.glare_mag + dimming_mag, exposure_s)
        return night + day + glare / self._dark_e_s.size

    def read(
        self, expected: NDArray[np.float32], readout: Readout
    ) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Return one noisy picture of the mean electrons."""
        camera = self._camera
        r = readout
        mean = expected[r.top_px : r.top_px + r.height_px, r.left_px : r.left_px + r.width_px]
        if r.binning > 1:
            rows, columns = mean.shape[0] // r.binning, mean.shape[1] // r.binning
            mean = (
                mean[: rows * r.binning, : columns * r.binning]
                .reshape(rows, r.binning, columns, r.binning)
                .sum(axis=(1, 3))
            )
        value = self._noise.poisson(np.minimum(mean, 1e9)).astype(np.float32)
        np.minimum(value, np.float32(camera.full_well_e * r.binning**2), out=value)
        value += np.float32(camera.read_noise_e) * self._noise.standard_normal(
            value.shape, dtype=np.float32
        )
        value *= np.float32(r.gain_factor / camera.gain_e_per_adu)
        value += np.float32(camera.bias_adu + 0.5)
        np.clip(value, 0.0, 65535.0, out=value)
        adu = value.astype(np.uint16)
        if camera.bits == 8:
            return (adu >> 8).astype(np.uint8)
        return adu


def _mosaic(camera: CameraTruth) -> NDArray[np.float32] | None:
    """Return each pixel's share of the light under its colour filter."""
    if not camera.bayer_pattern:
        return None
    cell = np.array([_BAYER_WEIGHT[c] for c in camera.bayer_pattern], dtype=np.float32)
    rows, columns = (camera.height_px + 1) // 2, (camera.width_px + 1) // 2
    return np.tile(cell.reshape(2, 2), (rows, columns))[: camera.height_px, : camera.width_px]
