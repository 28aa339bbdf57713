"""The carried catalogue and, where it ends, the Tycho-2 stars of the index files.

Gaia to G = 10 leaves 1 to 3 stars in a field of 0.7 x 0.5 deg; Tycho-2 adds those to V = 11.5.
The files tell no proper motions.  Each of their stars is carried along with the usual motion of
the carried stars around it, so that a field as a whole does not lag behind; what each may differ
by is the scatter of those same stars (15 mas per year, usually: 0.4 arcsec in 2026), and is told
as the place's own sigma.
"""

import math

import numpy as np
from numpy.typing import NDArray

from polewright.adapters.solver.catalogue import Catalogue, CatalogueStars, moved
from polewright.adapters.solver.index_files import IndexStars
from polewright.core.geometry.directions import ARCSEC_RAD

INDEX_EPOCH_YEAR = 2000.0
"""Julian year of the index files' places."""

_PLACE_SIGMA_RAD = 0.1 * ARCSEC_RAD  # Tycho-2: 0.06 at its mean epoch, 0.1 where it is faintest
_SAME_STAR_RAD = 5.0 * ARCSEC_RAD  # closer than Tycho-2 can resolve a pair
_MOTION_RADIUS_RAD = math.radians(5.0)
_MOTION_FAINTER_THAN = 8.5  # nearby bright stars move otherwise
_FEWEST_MOTIONS = 20
_USUAL_SCATTER_MAS_YR = 15.0
_KEPT_SCATTERS = 4.8  # motions have long tails; beyond this the camera's fit leaves stars out
_LARGEST_RADIUS_RAD = math.radians(2.0)  # wider fields have stars enough without


class DeepCatalogue:
    """Both catalogues as one; the same star is never given twice.

    Parameters
    ----------
    carried : Catalogue
        Gaia and Hipparcos, with proper motions.
    index : IndexStars
        The fainter ones.
    """

    def __init__(self, carried: Catalogue, index: IndexStars) -> None:
        self._carried = carried
        self._index = index
        self._sine = np.ascontiguousarray(index.icrs[:, 2])

    def cone(
        self,
        direction_icrs: NDArray[np.float64],
        radius_rad: float,
        *,
        year: float,
        most: int | None = None,
    ) -> CatalogueStars:
        """Return the stars around a direction at a Julian year, brightest first.

        Parameters
        ----------
        direction_icrs : ndarray of shape (3,)
            Unit vector of the cone's middle.
        radius_rad : float
            Half opening angle (rad); wider than 2 deg only the carried stars are given.
        year : float
            Julian year that proper motion is applied to.
        most : int, optional
            Return only so many.
        """
        known = self._carried.cone(direction_icrs, radius_rad, year=year, most=most)
        if radius_rad > _LARGEST_RADIUS_RAD:
            return known
        places, magnitude = self._beyond(direction_icrs, radius_rad)
        motion, scatter_mas_yr = self._motion(direction_icrs)
        years = year - INDEX_EPOCH_YEAR
        drift_rad = scatter_mas_yr * 1e-3 * ARCSEC_RAD * abs(years)
        motions = np.tile(motion, (len(places), 1))
        sigma_rad = np.full(len(places), math.hypot(_PLACE_SIGMA_RAD, drift_rad))
        order = np.argsort(np.concatenate([known.magnitude, magnitude]), kind="stable")[:most]
        return CatalogueStars(
            icrs=np.concatenate([known.icrs, moved(places, motions, years)])[order],
            magnitude=np.concatenate([known.magnitude, magnitude])[order],
            sigma_rad=np.concatenate([known.sigma_rad, sigma_rad])[order],
            motion_mas_yr=np.concatenate([known.motion_mas_yr, motions])[order],
        )

    def _beyond(
        self, direction_icrs: NDArray[np.float64], radius_rad: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the index stars of a cone that the carried catalogue has not, at J2000.0."""
        latitude = math.asin(float(np.clip(direction_icrs[2], -1.0, 1.0)))
        low = math.sin(max(-math.pi / 2, latitude - radius_rad))
        high = math.sin(min(math.pi / 2, latitude + radius_rad))
        first, last = np.searchsorted(self._sine, [low, high])
        band = self._index.icrs[first:last]
        rows = first + np.flatnonzero(band @ direction_icrs >= math.cos(radius_rad) - 1e-7)
        places = self._index.icrs[rows].astype(np.float64)
        places /= np.linalg.norm(places, axis=1)[:, None]
        carried = self._carried.cone(
            direction_icrs, radius_rad + _SAME_STAR_RAD, year=INDEX_EPOCH_YEAR
        )
        if len(carried.icrs) and len(places):
            nearest = (places @ carried.icrs.T).max(axis=1)
            # 1 - cos is 3e-10 at 5 arcsec: far above what 64 bits lose.
            new = 1.0 - nearest > 0.5 * _SAME_STAR_RAD**2
            places, rows = places[new], rows[new]
        return places, self._index.magnitude[rows].astype(np.float64)

    def _motion(self, direction_icrs: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """Return the usual motion of the faint carried stars around and their scatter."""
        around = self._carried.cone(direction_icrs, _MOTION_RADIUS_RAD, year=INDEX_EPOCH_YEAR)
        usable = (around.magnitude > _MOTION_FAINTER_THAN) & np.any(around.motion_mas_yr, axis=1)
        motions = around.motion_mas_yr[usable]
        if len(motions) < _FEWEST_MOTIONS:
            return np.zeros(2), _USUAL_SCATTER_MAS_YR
        median = np.median(motions, axis=0)
        apart = motions - median
        usual = float(np.percentile(np.abs(apart), 68.0))
        kept = np.hypot(apart[:, 0], apart[:, 1]) < _KEPT_SCATTERS * usual
        mean = motions[kept].mean(axis=0)
        return mean, float(np.sqrt(np.square(motions[kept] - mean).mean()))
