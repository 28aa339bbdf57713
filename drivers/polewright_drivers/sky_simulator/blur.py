"""Blur: what air and optics make of a point of light, and where its light falls."""

import math

import numpy as np
from numpy.typing import NDArray

_FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
_CUT_ELECTRONS = 0.02
"""A star's image ends where it brings less than this to a pixel."""

Blur = list[tuple[float, float]]
"""A sum of Gaussians: (sigma in px, share of the light)."""


def gaussians(fwhm_px: float, moffat_beta: float) -> Blur:
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


def add_star(
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
