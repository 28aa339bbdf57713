"""Pattern databases: one per optical train, built once and kept in the person's cache.

Run as a module it builds one database: the service does that in a child process, because a
build takes seconds, cannot be interrupted in a thread, and writing the file holds Python's lock.
"""

import contextlib
import logging
import os
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tetra3rs

LOG = logging.getLogger(__name__)
logging.getLogger("tetra3").setLevel(logging.WARNING)  # it tells of every iteration

FIELD_TOLERANCE = 0.12
"""A database serves fields of view this fraction smaller or larger."""

_SPARE_TOLERANCE = 0.06  # a database that is at hand serves if it leaves this much either way
_SMALLEST_FIELD_DEG = 0.7
_LARGEST_FIELD_DEG = 60.0
# Thinned against the library's defaults, which take ten times as long and as much room.  With an
# eighth of the stars missing and a quarter false, 95 % of frames with 8 stars or more are solved
# (measured at 1.2, 2.3 and 5.5 deg); half the oversampling solves 90 to 96 % and is good enough
# where the whole would be 200 MB, or where a second solver takes the rest.
_OVERSAMPLING = 10
_FEWER_OVERSAMPLING = 5
_NARROW_FIELD_DEG = 1.6
_PATTERNS_PER_FIELD = 20
_VERIFICATION_STARS = 80
_DRAFT_LIFE_S = 3600.0  # far longer than any build
_MULTISCALE_STEP = 1.3
_PATTERN = re.compile(
    r"(?P<fewer>fewer-)?field-(?P<low>\d+\.\d{4})-(?P<high>\d+\.\d{4})-v(?P<version>[\w.]+)\.tetra3"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldRange:
    """The fields of view (deg, width of the frame) that one database serves."""

    low_deg: float
    high_deg: float

    @classmethod
    def around(cls, field_deg: float) -> "FieldRange":
        """Return the range for one train."""
        field_deg = min(max(field_deg, _SMALLEST_FIELD_DEG), _LARGEST_FIELD_DEG)
        return cls(
            low_deg=field_deg * (1.0 - FIELD_TOLERANCE),
            high_deg=field_deg * (1.0 + FIELD_TOLERANCE),
        )

    def serves(self, field_deg: float) -> bool:
        """Return whether a field lies well inside."""
        return (
            self.low_deg <= field_deg * (1.0 - _SPARE_TOLERANCE)
            and field_deg * (1.0 + _SPARE_TOLERANCE) <= self.high_deg
        )

    @property
    def file_name(self) -> str:
        """Name in the cache; another library version gets another file."""
        return f"field-{self.low_deg:.4f}-{self.high_deg:.4f}-v{tetra3rs.__version__}.tetra3"

    @property
    def build_estimate_s(self) -> float:
        """How long a build takes on a desktop, roughly (s)."""
        return min(15.0, 1.0 + 50.0 / self.low_deg**2)


def default_cache_directory() -> Path:
    """Return ``$XDG_CACHE_HOME/polewright`` (``~/.cache/polewright``)."""
    base = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(base) if base else Path.home() / ".cache") / "polewright"


class DatabaseCache:
    """The directory of built databases.

    Parameters
    ----------
    directory : Path
        Where the files are.
    fewer : bool, optional
        Half the patterns in two thirds of the memory, for when another solver takes the few
        frames that need the rest (2 and 2.4 deg: 97 of 100 instead of all).
    """

    def __init__(self, directory: Path, *, fewer: bool = False) -> None:
        self._directory = directory
        self._fewer = fewer

    @property
    def directory(self) -> Path:
        """Where the files are."""
        return self._directory

    def path(self, fields: FieldRange) -> Path:
        """Return the file that a range has, built or not."""
        return self._directory / (("fewer-" if self._fewer else "") + fields.file_name)

    def serving(self, field_deg: float) -> Iterator[FieldRange]:
        """Yield the ranges at hand that serve a field, the narrowest first."""
        ranges = []
        with contextlib.suppress(OSError):
            for file in self._directory.iterdir():
                name = _PATTERN.fullmatch(file.name)
                if (
                    name
                    and name["version"] == tetra3rs.__version__
                    and bool(name["fewer"]) == self._fewer
                ):
                    ranges.append(
                        FieldRange(low_deg=float(name["low"]), high_deg=float(name["high"]))
                    )
        ranges.sort(key=lambda fields: fields.high_deg - fields.low_deg)
        yield from (fields for fields in ranges if fields.serves(field_deg))

    def load(self, field_deg: float) -> tuple[FieldRange, Any] | None:
        """Return a sound database for a field and its range; a damaged file is removed."""
        for fields in self.serving(field_deg):
            path = self.path(fields)
            try:
                return fields, tetra3rs.SolverDatabase.load_from_file(str(path))
            except Exception as error:  # the library raises its own kinds on damage
                LOG.warning("star patterns %s are damaged and are built again: %s", path, error)
                with contextlib.suppress(OSError):
                    path.unlink()
        return None

    def build(self, field_deg: float) -> Path:
        """Build and keep a database for a field; return its file.  Takes seconds."""
        fields = FieldRange.around(field_deg)
        database = tetra3rs.SolverDatabase.generate_from_gaia(
            min_fov_deg=fields.low_deg,
            max_fov_deg=fields.high_deg,
            lattice_field_oversampling=(
                _FEWER_OVERSAMPLING
                if self._fewer or field_deg < _NARROW_FIELD_DEG
                else _OVERSAMPLING
            ),
            patterns_per_lattice_field=_PATTERNS_PER_FIELD,
            verification_stars_per_fov=_VERIFICATION_STARS,
            multiscale_step=_MULTISCALE_STEP,
            epoch_proper_motion_year=None,  # its motion columns are none; see catalogue.py
        )
        self._directory.mkdir(parents=True, exist_ok=True)
        self._sweep()
        target = self.path(fields)
        handle, draft = tempfile.mkstemp(dir=self._directory, prefix="draft-", suffix=".tetra3")
        os.close(handle)
        try:
            database.save_to_file(draft)
            Path(draft).replace(target)
        except BaseException:
            with contextlib.suppress(OSError):
                Path(draft).unlink()
            raise
        return target

    def _sweep(self) -> None:
        """Remove what a build left that was stopped long ago."""
        for draft in self._directory.glob("draft-*.tetra3"):
            with contextlib.suppress(OSError):
                if time.time() - draft.stat().st_mtime > _DRAFT_LIFE_S:
                    draft.unlink()


def main(arguments: list[str]) -> int:
    """Build one database: directory, field of view (deg), "fewer" or "all" patterns."""
    DatabaseCache(Path(arguments[0]), fewer=arguments[2] == "fewer").build(float(arguments[1]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
