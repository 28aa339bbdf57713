"""Catalogue stars at the frame's epoch."""

from datetime import UTC, datetime

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from polewright.adapters.solver.bright_stars import BRIGHT_STARS
from polewright.adapters.solver.catalogue import Catalogue, carried_catalogue, julian_year

ARCSEC = np.pi / 648000.0


def unit(right_ascension_deg, declination_deg):
    ra, dec = np.deg2rad([right_ascension_deg, declination_deg])
    return np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])


@pytest.mark.parametrize(
    ("name", "ra", "dec", "motion_ra", "motion_dec"),
    [
        # ICRS at J2000.0 and proper motion (mas/yr): SIMBAD, after Hipparcos (van Leeuwen 2007).
        ("alpha CMa", "06 45 08.91728", "-16 42 58.0171", -546.01, -1223.07),
        ("alpha Boo", "14 15 39.67207", "+19 10 56.6730", -1093.39, -2000.06),
        ("alpha Lyr", "18 36 56.33635", "+38 47 01.2802", 200.94, 286.23),
        ("alpha UMi", "02 31 49.09456", "+89 15 50.7923", 44.48, -11.85),
    ],
)
def test_the_brightest_stars_move_as_published(name, ra, dec, motion_ra, motion_dec):
    """To 0.15 arcsec in 2026; without proper motion Arcturus would be 22 arcsec out."""
    star = SkyCoord(
        f"{ra} {dec}",
        unit=(u.hourangle, u.deg),
        pm_ra_cosdec=motion_ra * u.mas / u.yr,
        pm_dec=motion_dec * u.mas / u.yr,
        distance=10 * u.pc,
        obstime=Time(2000.0, format="jyear"),
    ).apply_space_motion(new_obstime=Time(2026.9, format="jyear"))
    expected = unit(star.ra.deg, star.dec.deg)
    near = carried_catalogue().cone(expected, 60.0 * ARCSEC, year=2026.9)
    assert np.linalg.norm(near.icrs[0] - expected) / ARCSEC < 0.15, name


def test_fast_stars_move_as_gaia_says():
    """61 Cygni A moves 4.16 and 3.25 arcsec a year (Gaia DR3), so 61 arcsec in 11.5 years."""
    catalogue = carried_catalogue()
    # SIMBAD, ICRS J2000.0 21 06 53.940 +38 44 57.90, carried to 2016.0 and to 2027.5 by hand.
    before = unit(316.72475 + 16.0 * 4.164 / 3600.0 / np.cos(np.deg2rad(38.75)), 38.763859)
    after = unit(316.72475 + 27.5 * 4.164 / 3600.0 / np.cos(np.deg2rad(38.75)), 38.774242)
    for place, year in ((before, 2016.0), (after, 2027.5)):
        near = catalogue.cone(place, 10.0 * ARCSEC, year=year)
        assert len(near.magnitude) == 1
        assert np.linalg.norm(near.icrs[0] - place) / ARCSEC < 1.0  # hand arithmetic


def test_a_cone_is_what_every_star_compared_gives():
    catalogue = carried_catalogue()
    rng = np.random.default_rng(1)
    everything = catalogue.cone(unit(0.0, 0.0), np.pi, year=2016.0)
    assert len(everything.magnitude) == len(catalogue) > 400_000
    directions = [*rng.normal(size=(4, 3)), np.array([0.0, 0.01, 1.0]), np.array([0.0, 0.0, -1.0])]
    for direction in directions:
        direction = direction / np.linalg.norm(direction)
        radius = float(rng.uniform(0.01, 0.1))
        cone = catalogue.cone(direction, radius, year=2016.0)
        expected = np.count_nonzero(everything.icrs @ direction >= np.cos(radius))
        assert abs(len(cone.magnitude) - expected) <= 1  # rounding at the rim
        assert np.all(np.diff(cone.magnitude) >= 0.0)
        np.testing.assert_allclose(np.linalg.norm(cone.icrs, axis=1), 1.0, atol=1e-12)
        assert len(catalogue.cone(direction, radius, year=2016.0, most=5).magnitude) == 5


def test_every_star_without_its_own_motion_is_in_the_table():
    assert len(BRIGHT_STARS) == 70
    fastest = max(np.hypot(east, north) for _, _, east, north in BRIGHT_STARS.values())
    assert fastest == pytest.approx(3700.0, rel=0.05)  # alpha Centauri


def test_julian_years_are_those_of_astropy():
    instant = datetime(2026, 11, 25, 20, 30, tzinfo=UTC)
    assert julian_year(instant) == pytest.approx(Time(instant).jyear, abs=1e-5)
    assert julian_year(None) > 2025.0


def test_another_file_is_refused(tmp_path):
    path = tmp_path / "stars.bin"
    path.write_bytes(b"not a catalogue")
    with pytest.raises(ValueError, match="not a star catalogue"):
        Catalogue(path)
