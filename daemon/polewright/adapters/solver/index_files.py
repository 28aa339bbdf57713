"""Index files of astrometry.net: where they are, and the stars that they hold.

Debian packages them (``astrometry-data-tycho2-*``); nothing is ever downloaded here.  Only the
Tycho-2 set is used: it covers the whole sky in a few files, and its places and magnitudes are
known (Tycho-2, Hog et al. 2000, A&A 355, L27; J2000.0; ESA).
"""

import importlib.util
import logging
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

LOG = logging.getLogger(__name__)

FOLDERS = (Path("/usr/share/astrometry"), Path("/usr/local/share/astrometry"))
"""Searched after the folders named in ``$POLEWRIGHT_INDEXES`` (separated by colons)."""

PACKAGES = "astrometry-data-tycho2"
"""What to install on Debian."""

_NAMES = "index-tycho2-*.fits"
_SMALLEST_STARS = 500_000  # fewer are no help to a field under a degree


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IndexStars:
    """Stars of an index file, sorted by declination.

    Attributes
    ----------
    icrs : ndarray of shape (n, 3)
        Unit vectors at J2000.0 (kept in 32 bits: 0.01 arcsec).
    magnitude : ndarray of shape (n,)
        V of Tycho.
    """

    icrs: NDArray[np.float32]
    magnitude: NDArray[np.float32]


def index_folders() -> tuple[Path, ...]:
    """Return the folders that are searched."""
    named = os.environ.get("POLEWRIGHT_INDEXES", "")
    return tuple(Path(folder) for folder in named.split(os.pathsep) if folder) + FOLDERS


def index_files() -> tuple[Path, ...]:
    """Return the index files of the first folder that has any, the smallest quads first."""
    for folder in index_folders():
        files = sorted(folder.glob(_NAMES))
        if files:
            return tuple(files)
    return ()


def is_solver_installed() -> bool:
    """Return whether the Python package is there (the extra ``narrow``)."""
    return importlib.util.find_spec("astrometry") is not None


def what_is_missing() -> str | None:
    """Return what to install for narrow and sparse fields, None where all is there."""
    wanted = []
    if not is_solver_installed():
        wanted.append("the Python package astrometry (pip install 'polewright[narrow]')")
    if not index_files():
        wanted.append(f"the Debian package {PACKAGES}")
    return " and ".join(wanted) or None


@cache
def read_stars(path: Path) -> IndexStars:
    """Return the stars of one file (0.5 s for the densest; kept in memory, 30 MB).

    Raises
    ------
    OSError, ValueError
        The file cannot be read or is of another kind.
    """
    with fits.open(path, memmap=False) as units:
        tables = {unit.header.get("TTYPE1"): unit.data for unit in units if unit.data is not None}
    try:
        bounds = np.frombuffer(tables["kdtree_range_stars"].tobytes(), dtype="<f8")
        whole = np.frombuffer(tables["kdtree_data_stars"].tobytes(), dtype="<u4").reshape(-1, 3)
        magnitude = np.asarray(tables["MAG_VT"]["MAG_VT"], dtype=np.float32)
    except KeyError as error:
        raise ValueError(f"{path} has no table {error}") from None
    if bounds.size != 7 or len(magnitude) != len(whole):
        raise ValueError(f"{path} is an index of another kind")
    order = np.argsort(whole[:, 2], kind="stable")
    icrs = (bounds[:3] + whole[order] / bounds[6]).astype(np.float32)
    return IndexStars(icrs=icrs, magnitude=magnitude[order])


def dense_stars() -> IndexStars | None:
    """Return the stars of the densest file at hand, None where none is dense enough."""
    for path in index_files():
        try:
            stars = read_stars(path)
        except (OSError, ValueError) as error:
            LOG.warning("the index file %s cannot be used: %s", path, error)
            continue
        if len(stars.magnitude) >= _SMALLEST_STARS:
            return stars
        return None
    return None
