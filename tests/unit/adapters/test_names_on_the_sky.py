"""Names on the sky, against places from elsewhere; and what is said of unknown ones.

Places of deep-sky objects: from memory, as hand-books print them (J2000, to the minute); extended
ones are placed by different people up to several arcmin apart.  Places of stars: two from memory,
the others by the constellation they stand in, and by the solver's table of the same catalogue.
"""

import csv
import subprocess
import sys
from importlib import resources

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import SkyCoord, get_constellation
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.adapters.catalogue.names import NamedPlaces
from polewright.core.errors import UsageError

NAMES = NamedPlaces()
ARCMIN = 1.0 / 60.0

# From memory (hand-books, J2000): right ascension (h, min), declination (deg, min), how far (min).
HANDBOOK = [
    ("M 1", (5, 34.5), (22, 1), 2),
    ("M 13", (16, 41.7), (36, 28), 2),
    ("M 31", (0, 42.7), (41, 16), 2),
    ("M 42", (5, 35.3), (-5, 23), 5),
    ("M 45", (3, 47.0), (24, 7), 15),
    ("M 57", (18, 53.6), (33, 2), 2),
    ("M 83", (13, 37.0), (-29, 52), 2),
    ("M 104", (12, 40.0), (-11, 37), 2),
    ("M 110", (0, 40.4), (41, 41), 2),
    ("NGC 104", (0, 24.1), (-72, 5), 2),
    ("NGC 253", (0, 47.6), (-25, 17), 2),
    ("NGC 292", (0, 52.7), (-72, 50), 20),
    ("NGC 2070", (5, 38.6), (-69, 5), 5),
    ("NGC 3372", (10, 45.1), (-59, 52), 30),
    ("NGC 5139", (13, 26.8), (-47, 29), 2),
    ("NGC 7000", (20, 58.8), (44, 20), 20),
    ("IC 434", (5, 41.0), (-2, 27), 20),
    ("IC 1396", (21, 39.1), (57, 30), 20),
]  # fmt: skip

# Constellations as every atlas has them.
STARS = {
    "Achernar": "Eri", "Acrux": "Cru", "Aldebaran": "Tau", "Antares": "Sco", "Arcturus": "Boo",
    "Betelgeuse": "Ori", "Canopus": "Car", "Capella": "Aur", "Castor": "Gem", "Deneb": "Cyg",
    "Fomalhaut": "PsA", "Hadar": "Cen", "Mimosa": "Cru", "Peacock": "Pav", "Polaris": "UMi",
    "Pollux": "Gem", "Procyon": "CMi", "Regulus": "Leo", "Rigel": "Ori", "Sirius": "CMa",
    "Spica": "Vir", "Vega": "Lyr", "Zubenelgenubi": "Lib", "Polaris Australis": "Oct",
}  # fmt: skip


def _apart_deg(target, right_ascension_deg, declination_deg):
    here = SkyCoord(target.right_ascension_deg, target.declination_deg, unit="deg")
    return here.separation(SkyCoord(right_ascension_deg, declination_deg, unit="deg")).deg


@pytest.mark.parametrize(("name", "hours", "degrees", "reach"), HANDBOOK, ids=lambda v: str(v)[:12])
def test_objects_are_where_handbooks_print_them(name, hours, degrees, reach):
    declination = np.copysign(abs(degrees[0]) + degrees[1] / 60.0, degrees[0])
    right_ascension = 15.0 * (hours[0] + hours[1] / 60.0)
    assert _apart_deg(NAMES.find(name), right_ascension, declination) < (reach + 1) * ARCMIN


@pytest.mark.parametrize(("name", "constellation"), STARS.items())
def test_stars_stand_in_their_constellations(name, constellation):
    star = NAMES.find(name)
    place = SkyCoord(star.right_ascension_deg * units.deg, star.declination_deg * units.deg)
    assert get_constellation(place, short_name=True) == constellation


def test_stars_are_where_the_solvers_own_table_has_them():
    """The solver's table is of the same catalogue, typed in and moved to J2000 by another route: a
    slip of a number or of the epoch (0.5 arcsec and more for a third of them) would show."""
    from polewright.adapters.solver.bright_stars import BRIGHT_STARS

    stars = resources.files("polewright.adapters.catalogue").joinpath("named_stars.csv")
    lines = [line for line in stars.read_text("utf-8").splitlines() if line[0] != "#"]
    compared = 0
    for row in csv.DictReader(lines):
        if (known := BRIGHT_STARS.get(int(row["hip"]))) is None:
            continue
        right_ascension, declination, along_mas, north_mas = known
        years = 2000.0 - 1991.25
        declination_then = declination + north_mas * years / 3.6e6
        cosine = np.cos(np.radians(declination))
        right_ascension_then = right_ascension + along_mas * years / 3.6e6 / cosine
        found = NAMES.find(row["name"])
        # Straight on instead of along a great circle: 0.1 arcsec at the pole star.
        assert _apart_deg(found, right_ascension_then, declination_then) < 0.2 / 3600.0
        compared += 1
    assert compared > 40


def test_polaris_and_sirius_are_where_the_almanacs_print_them():
    """J2000 places of alpha UMi and alpha CMa (from memory, to the second of arc)."""
    assert _apart_deg(NAMES.find("Polaris"), 37.95456, 89.26411) < 1.0 / 3600.0
    assert _apart_deg(NAMES.find("Sirius"), 101.28716, -16.71612) < 1.0 / 3600.0


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("M31", "NGC 224"), ("m 031", "Messier 31"), ("ngc5139", "Omega Centauri"),
        ("C 80", "Caldwell 80"), ("C80", "NGC 5139"), ("tarantula", "NGC 2070"),
        ("pleiades", "M 45"), ("SIRIUS", "sirius"), ("polaris  australis", "Sigma Octantis"),
        ("Rigil Kent", "Rigil Kentaurus"),
    ],
)  # fmt: skip
def test_one_place_has_many_names(one, other):
    first, second = NAMES.find(one), NAMES.find(other)
    assert first.right_ascension_deg == second.right_ascension_deg
    assert first.declination_deg == second.declination_deg


def test_every_messier_number_but_the_disputed_one_is_known():
    known = [NAMES.find(f"M {number}") for number in range(1, 111) if number != 102]
    assert len({(each.right_ascension_deg, each.declination_deg) for each in known}) == 109


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("siruis", "Sirius"), ("Regel", "Rigel"), ("M 111", "M 11"), ("NGC 9999", "NGC 999"),
        ("helix", "Helix Nebula"), ("betelguese", "Betelgeuse"), ("M 102", "M 101"),
        ("IC 6434", "IC 434"),
    ],
)  # fmt: skip
def test_unknown_names_get_near_ones(name, near):
    with pytest.raises(UsageError) as caught:
        NAMES.find(name)
    assert caught.value.code == "unknown_target"
    assert near in caught.value.text


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=90))
def test_no_name_at_all_does_harm(name):
    try:
        found = NAMES.find(name)
    except UsageError as trouble:
        refused = trouble
    else:
        assert -90.0 <= found.declination_deg <= 90.0
        return
    assert refused.code == "unknown_target"
    assert len(refused.text) < 500


@pytest.mark.parametrize("name", ["Jupiter", "saturn", "the Moon", "SUN"])
def test_what_wanders_is_refused_and_not_taken_for_a_nebula_named_after_it(name):
    with pytest.raises(UsageError) as caught:
        NamedPlaces().find(name)
    assert caught.value.code == "wandering_target"


def test_a_nebula_named_after_a_planet_is_found_by_its_whole_name():
    assert "NGC 3242" in NamedPlaces().find("Jupiter's Ghost Nebula").name
    assert "NGC 7009" in NamedPlaces().find("Saturn Nebula").name


def test_looking_names_up_loads_nothing_heavy_and_starting_loads_not_even_the_catalogue():
    program = (
        "import sys; import polewright.adapters.catalogue.names as n; a = set(sys.modules);"
        "assert 'pyongc' not in a and 'astropy' not in a, 'at import';"
        "n.NamedPlaces().find('M 31'); n.NamedPlaces().find('Sirius'); b = set(sys.modules);"
        "assert not b & {'pandas', 'click', 'astropy', 'urllib.request', 'ssl'}, b;"
    )
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)
