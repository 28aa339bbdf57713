"""Matching: which catalogue star each found star is, and whether chance could have done it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Matrix
from polewright.core.imaging.stars import StarList

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraGuess:
    """A camera that is nearly right.

    Attributes
    ----------
    camera_from_icrs : ndarray of shape (3, 3)
    scale_arcsec_px : float
        Plate scale at the centre (arcsec per px).
    mirrored : bool
        Parity of the picture.
    radial, radial_unit_px : float
        As in :class:`polewright.core.imaging.fitting.CameraFit`.
    """

    camera_from_icrs: Matrix
    scale_arcsec_px: float
    mirrored: bool
    radial: float = 0.0
    radial_unit_px: float = 1.0


def tangent_from_pixels(
    x_px: Array, y_px: Array, width_px: int, height_px: int, *, mirrored: bool
) -> Array:
    """Return offsets (column, parity x row) from the sensor's centre, distortion still in (px)."""
    parity = -1.0 if mirrored else 1.0
    return np.column_stack([x_px - 0.5 * (width_px - 1), parity * (y_px - 0.5 * (height_px - 1))])


def undistorted(tangent: Array, radial: float, radial_unit_px: float) -> Array:
    """Return measured offsets with a cubic radial term removed (px)."""
    return np.asarray(
        tangent * (1.0 + radial * np.square(tangent).sum(axis=1) / radial_unit_px**2)[:, None]
    )


def project(icrs: Array, guess: CameraGuess) -> tuple[Array, NDArray[np.bool_]]:
    """Return ideal tangent offsets (px) of directions and which are in front of the camera."""
    camera = icrs @ guess.camera_from_icrs.T
    front = camera[:, 0] > 0.05
    depth = np.where(front, camera[:, 0], 1.0)
    return camera[:, 1:] / depth[:, None] / (guess.scale_arcsec_px * ARCSEC_RAD), front


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matching:
    """Pairs of found and catalogue stars under one guess.

    Attributes
    ----------
    found, catalogue : ndarray of int, shape (n,)
        Indices of each pair.
    catalogue_inside : ndarray of int
        Indices of the catalogue stars that fall on the sensor, brightest first.
    radius_px : float
        Largest distance of a pair (px).
    """

    found: Index
    catalogue: Index
    catalogue_inside: Index
    radius_px: float


def match(stars: StarList, catalogue_icrs: Array, guess: CameraGuess, radius_px: float) -> Matching:
    """Return the mutual nearest neighbours within a radius.

    Parameters
    ----------
    stars : StarList
        Found stars.
    catalogue_icrs : ndarray of shape (m, 3)
        Unit vectors, brightest first.
    guess : CameraGuess
        The camera.
    radius_px : float
        Largest distance (px).
    """
    measured = undistorted(
        tangent_from_pixels(
            stars.x_px, stars.y_px, stars.width_px, stars.height_px, mirrored=guess.mirrored
        ),
        guess.radial,
        guess.radial_unit_px,
    )
    places, front = project(catalogue_icrs, guess)
    half_width = 0.5 * stars.width_px + radius_px
    half_height = 0.5 * stars.height_px + radius_px
    inside = np.flatnonzero(
        front & (np.abs(places[:, 0]) < half_width) & (np.abs(places[:, 1]) < half_height)
    )
    if inside.size == 0 or len(stars) == 0:
        none = np.zeros(0, dtype=np.intp)
        return Matching(found=none, catalogue=none, catalogue_inside=inside, radius_px=radius_px)
    distance = np.hypot(measured[:, :1] - places[inside, 0], measured[:, 1:] - places[inside, 1])
    nearest = distance.argmin(axis=1)
    back = distance.argmin(axis=0)
    number = np.arange(len(stars))
    paired = (back[nearest] == number) & (distance[number, nearest] < radius_px)
    return Matching(
        found=np.flatnonzero(paired),
        catalogue=inside[nearest[paired]],
        catalogue_inside=inside,
        radius_px=radius_px,
    )


def log10_chance(
    matched: int,
    found: int,
    catalogue_inside: int,
    radius_px: float,
    area_px2: float,
    *,
    free: int = 2,
) -> float:
    """Return log10 of the probability that one wrong attitude matches so many stars.

    Found stars fall into discs of ``radius_px`` around catalogue places by chance with the
    discs' share of the sensor; ``free`` of the matches do not count: two where the camera was
    fitted to them (four unknowns), none where it is one of a grid that was laid beforehand.
    """
    trials, successes = found - free, matched - free
    share = min(0.999, catalogue_inside * math.pi * radius_px**2 / area_px2)
    if successes <= 0 or trials <= 0 or share <= 0.0:
        return 0.0
    # Largest term of the binomial tail times the number of terms bounds it from above.
    logs = [
        (
            math.lgamma(trials + 1) - math.lgamma(k + 1) - math.lgamma(trials - k + 1)
            + k * math.log(share) + (trials - k) * math.log1p(-share)
        )
        for k in range(successes, trials + 1)
    ]  # fmt: skip
    peak = max(logs)
    return min(0.0, (peak + math.log(sum(math.exp(log - peak) for log in logs))) / math.log(10.0))


def log10_attitudes(
    scale_arcsec_px: float,
    radius_px: float,
    width_px: int,
    height_px: int,
    *,
    sky_sr: float = 4.0 * math.pi,
    scale_range: float = 0.2,
) -> float:
    """Return log10 of how many distinguishable cameras a search could have tried.

    Both parities, every direction within ``sky_sr``, every roll and every scale within
    ``scale_range`` (fraction), each in steps of the matching radius.
    """
    step_rad = radius_px * scale_arcsec_px * ARCSEC_RAD
    half_diagonal_px = 0.5 * math.hypot(width_px, height_px)
    directions = max(1.0, sky_sr / (math.pi * step_rad**2))
    rolls = 2.0 * math.pi * half_diagonal_px / (2.0 * radius_px)
    scales = max(1.0, scale_range * half_diagonal_px / (2.0 * radius_px))
    return math.log10(2.0 * directions * rolls * scales)
