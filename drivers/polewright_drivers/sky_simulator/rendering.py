"""Rendering: from where the stars run over the sensor to what the camera reads out."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.optics import scale_arcsec_px
from polewright_drivers.sky_simulator.scenario import CameraTruth, SkyTruth

PHOTONS_S_M2_MAG0 = 2.5e10
"""Photons of a star of G = 0 through the whole Gaia G band above the air, rounded.

From Gaia DR3's photometric zero point (25.687 mag for one electron per second, Riello et al.
2021) and its 0.73 m^2 of mirror at about 0.7 efficiency: 10**(0.4 * 25.687) / 0.5 = 3.7e10,
less a third for air and glass.
"""

_FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
_CUT_ELECTRONS = 0.02
"""A star's image ends where it brings less than this to a pixel."""
_BAYER_WEIGHT = {"R": 0.55, "G": 1.0, "B": 0.5}
_CLOUD_DIMMING_MAG = 9.0
_CLOUD_GLOW_MAG = 1.0


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
    """Where every star was during the exposure.

    Attributes
    ----------
    px : ndarray of shape (steps, stars, 2)
        Column and row at the middle of equal shares of the exposure; nan: out of sight.
    mag : ndarray of shape (stars,)
        Magnitudes.
    """

    px: NDArray[np.float64]
    mag: NDArray[np.float32]


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
        self._sky_mag_px = sky.brightness_mag_arcsec2 - 2.5 * math.log10(self._scale**2)
        fwhm_px = math.hypot(
            sky.seeing_fwhm_arcsec / self._scale, sky.optics_fwhm_um / camera.pixel_size_um
        )
        self.fwhm_px = max(fwhm_px, 0.1)
        self._blur = _gaussians(self.fwhm_px, sky.moffat_beta)
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
        self, trails: Trails, exposure_s: float, *, clouds: bool = False
    ) -> NDArray[np.float32]:
        """Return the mean number of electrons in every pixel of the whole sensor."""
        sky_mag = self._sky_mag_px - (_CLOUD_GLOW_MAG if clouds else 0.0)
        picture = np.full(
            self._dark_e_s.shape, self.star_electrons(sky_mag, exposure_s), dtype=np.float32
        )
        dimming = _CLOUD_DIMMING_MAG if clouds else 0.0
        for i, mag in enumerate(trails.mag):
            track = trails.px[:, i, :]
            total = self.star_electrons(float(mag) + dimming, exposure_s) / len(track)
            track = track[np.isfinite(track).all(axis=1)]
            if len(track):
                for sigma_px, share in self._blur:
                    _add_star(picture, track, sigma_px, total * share)
        if self._mosaic is not None:
            picture *= self._mosaic
        picture += self._dark_e_s * np.float32(exposure_s)
        return picture

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


def _gaussians(fwhm_px: float, moffat_beta: float) -> list[tuple[float, float]]:
    """Return the blur as Gaussians: (sigma in px, share of the light).

    A Moffat profile (1 + x)^-beta is the exact mixture over t of exp(-t x) weighted by
    t^(beta-1) exp(-t) / Gamma(beta); Gauss-Laguerre nodes make it a short sum.
    """
    if moffat_beta <= 1.0:
        return [(fwhm_px / _FWHM_PER_SIGMA, 1.0)]
    alpha_px = fwhm_px / (2.0 * math.sqrt(2.0 ** (1.0 / moffat_beta) - 1.0))
    nodes, weights = np.polynomial.laguerre.laggauss(12)
    light = weights * nodes ** (moffat_beta - 2.0)
    light /= light.sum()
    kept = light > 1e-4
    return [
        (alpha_px / math.sqrt(2.0 * t), float(share / light[kept].sum()))
        for t, share in zip(nodes[kept], light[kept], strict=True)
    ]


def _add_star(
    picture: NDArray[np.float32], track: NDArray[np.float64], sigma_px: float, electrons: float
) -> None:
    """Add one star's light, integrated over every pixel, along its track."""
    peak = electrons * len(track) * min(1.0, 1.0 / (2.0 * math.pi * sigma_px**2))
    if peak <= _CUT_ELECTRONS:
        return
    reach = sigma_px * math.sqrt(2.0 * math.log(peak / _CUT_ELECTRONS)) + 1.0
    height, width = picture.shape
    # A mount that turned while the shutter was open drew from one field to another: only what
    # fell on the sensor counts.
    seen = (track > -reach).all(axis=1) & (track < (width + reach, height + reach)).all(axis=1)
    track = track[seen]
    if not len(track):
        return
    left = max(int(track[:, 0].min() - reach), 0)
    right = min(int(track[:, 0].max() + reach) + 2, width)
    top = max(int(track[:, 1].min() - reach), 0)
    bottom = min(int(track[:, 1].max() + reach) + 2, height)
    if left >= right or top >= bottom:
        return
    across = _pixel_shares(track[:, 0], left, right, sigma_px)
    down = _pixel_shares(track[:, 1], top, bottom, sigma_px)
    picture[top:bottom, left:right] += (electrons * (down.T @ across)).astype(np.float32)


def _pixel_shares(
    centre: NDArray[np.float64], first: int, end: int, sigma_px: float
) -> NDArray[np.float64]:
    """Return each centre's light in each pixel (centres x pixels) along one direction."""
    edges = np.arange(first, end + 1) - 0.5
    scaled = (edges[None, :] - centre[:, None]) / (sigma_px * math.sqrt(2.0))
    integral = np.array([math.erf(v) for v in scaled.ravel().tolist()]).reshape(scaled.shape)
    return np.asarray(np.diff(integral, axis=1) / 2.0)


def _mosaic(camera: CameraTruth) -> NDArray[np.float32] | None:
    """Return each pixel's share of the light under its colour filter."""
    if not camera.bayer_pattern:
        return None
    cell = np.array([_BAYER_WEIGHT[c] for c in camera.bayer_pattern], dtype=np.float32)
    rows, columns = (camera.height_px + 1) // 2, (camera.width_px + 1) // 2
    return np.tile(cell.reshape(2, 2), (rows, columns))[: camera.height_px, : camera.width_px]
