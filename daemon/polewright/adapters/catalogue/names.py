"""Names on the sky: Messier, NGC, IC and Caldwell numbers, common names, named bright stars.

All of it is on this computer.  Deep-sky objects come from OpenNGC (CC-BY-SA-4.0; credit in the
README) through the package pyongc, stars from Hipparcos (``named_stars.csv``, made by
``tests/tools/named_stars.py``).  Proper motion is left out: no plan feels it.
"""

import csv
import difflib
import math
import re
import sqlite3
from contextlib import closing
from functools import lru_cache
from importlib import resources

from polewright.core.errors import UsageError
from polewright.core.plan.sky_target import LONGEST_NAME, SkyTarget

_CATALOGUES = {
    "m": "M", "messier": "M", "ngc": "NGC", "ic": "IC", "c": "C", "caldwell": "C",
}  # fmt: skip
_NUMBERED = re.compile(r"([a-z]+)\s*0*(\d{1,4})\s*([a-z]{0,2})")
_MOST_NEAR = 4
_LEAST_LIKE = 0.62
_LEAST_LETTERS = 4  # of a name that is told by its beginning
# Nobody knows what the 102nd entry was meant to be.
_DISPUTED = {"M102": ["M 101", "NGC 5866"]}
# They wander. Without this list the beginning of a name would find "Jupiter's Ghost Nebula".
_WANDERERS = {
    "sun", "moon", "mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune", "pluto",
}  # fmt: skip


class NamedPlaces:
    """Implements :class:`polewright.ports.TargetCatalogue`."""

    def find(self, name: str) -> SkyTarget:
        """Return what a name means.

        Raises
        ------
        UsageError
            ``unknown_target``, with near matches; ``wandering_target``.
        """
        plain = " ".join(name.split())[:LONGEST_NAME]
        if (numbered := _NUMBERED.fullmatch(plain.lower())) and (
            catalogue := _CATALOGUES.get(numbered[1])
        ):
            number, part = int(numbered[2]), numbered[3].upper()
            if meant := _DISPUTED.get(f"{catalogue}{number}"):
                raise _unknown(plain, meant)
            if found := _numbered(f"{catalogue}{number}{part}", f"{catalogue} {number}{part}"):
                return found
            raise _unknown(plain, _near_numbers(catalogue, number))
        names = _by_name()
        if (key := _key(plain)) in names:
            return names[key]
        if key in _WANDERERS or key.removeprefix("the") in _WANDERERS:
            raise UsageError(
                f'"{plain}" wanders among the stars, so a plan cannot hold it by name',
                remedy="Plan the optics, the exposure and the window without a target. By day: "
                "polewright sight, or polewright sun.",
                code="wandering_target",
            )
        begun = [other for other in names if len(key) >= _LEAST_LETTERS and other.startswith(key)]
        if len({_spot(names[other]) for other in begun}) == 1:
            return names[begun[0]]
        likely = difflib.get_close_matches(key, list(names), n=_MOST_NEAR, cutoff=_LEAST_LIKE)
        near = list(dict.fromkeys(names[other].name for other in (*begun, *likely)))
        raise _unknown(plain, near[:_MOST_NEAR])


def _numbered(designation: str, shown: str) -> SkyTarget | None:
    from pyongc import ongc

    found = ongc.get(designation)
    if found is None or found.rad_coords is None:
        return None
    right_ascension, declination = (float(value) for value in found.rad_coords)
    common = found.identifiers[3]
    return SkyTarget(
        name=f"{shown} ({common[0]})"[:LONGEST_NAME] if common else shown,
        right_ascension_deg=math.degrees(right_ascension) % 360.0,
        declination_deg=math.degrees(declination),
    )


@lru_cache(maxsize=1)
def _by_name() -> dict[str, SkyTarget]:
    """Return stars and common names by their key."""
    from pyongc import DBPATH

    found: dict[str, SkyTarget] = {}
    with closing(sqlite3.connect(f"file:{DBPATH}?mode=ro", uri=True)) as connection:
        rows = connection.execute(
            "SELECT name, messier, ra, dec, commonnames FROM objects "
            "WHERE commonnames != '' AND ra IS NOT NULL AND dec IS NOT NULL"
        )
        for designation, messier, right_ascension, declination, common in rows:
            shown = f"M {int(messier)}" if messier else _spaced(designation)
            for name in str(common).split(","):
                found[_key(name)] = SkyTarget(
                    name=f"{name.strip()} ({shown})"[:LONGEST_NAME],
                    right_ascension_deg=math.degrees(right_ascension) % 360.0,
                    declination_deg=math.degrees(declination),
                )
    stars = resources.files("polewright.adapters.catalogue").joinpath("named_stars.csv")
    lines = [line for line in stars.read_text("utf-8").splitlines() if line[:1] != "#"]
    for row in csv.DictReader(lines):
        found[_key(row["name"])] = SkyTarget(
            name=row["name"],
            right_ascension_deg=float(row["right_ascension_deg"]),
            declination_deg=float(row["declination_deg"]),
        )
    return found


def _near_numbers(catalogue: str, number: int) -> list[str]:
    """Return numbers of a catalogue that somebody may have meant: a digit too many or swapped."""
    digits = str(number)
    swapped = [
        digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :] for i in range(len(digits) - 1)
    ]
    left_out = [digits[:i] + digits[i + 1 :] for i in range(len(digits))]
    near = []
    for candidate in dict.fromkeys(swapped + left_out):
        if candidate and int(candidate) and candidate != digits:
            found = _numbered(f"{catalogue}{int(candidate)}", f"{catalogue} {int(candidate)}")
            near += [found.name] if found else []
    return list(dict.fromkeys(near))[:_MOST_NEAR]


def _spot(target: SkyTarget) -> tuple[float, float]:
    return target.right_ascension_deg, target.declination_deg


def _spaced(designation: str) -> str:
    """Return ``NGC0224`` as people write it."""
    found = re.fullmatch(r"([A-Z]+)0*(\d+.*)", designation)
    return f"{found[1]} {found[2]}" if found else designation


def _key(name: str) -> str:
    return "".join(character for character in name.casefold() if character.isalnum())


def _unknown(name: str, near: list[str]) -> UsageError:
    hint = f"; near it: {', '.join(near)}" if near else ""
    return UsageError(
        f'nothing is known by the name "{name}"{hint}',
        remedy="Known are M, NGC, IC and C (Caldwell) numbers, common names and bright stars; or "
        'give the place: "NAME = 13:26:47 -47:28:46".',
        code="unknown_target",
    )
