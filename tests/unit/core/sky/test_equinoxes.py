"""Places of date and of J2000 against astropy's high-level coordinates (TETE), and round trips."""

from datetime import UTC, datetime

import pytest
from astropy import units as u
from astropy.coordinates import ICRS, TETE, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.sky.equinoxes import j2000_from_of_date, of_date_from_j2000

NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def separation_arcsec(one, other) -> float:
    return SkyCoord(*one, unit="deg").separation(SkyCoord(*other, unit="deg")).arcsec


@pytest.mark.parametrize("place", [(0.0, 0.0), (83.0, -5.4), (201.3, -62.0), (37.9, 89.26)])
def test_a_place_of_date_is_astropys_true_equator_true_equinox_place(place):
    """0.02 arcsec: both rest on IAU 2006/2000A; the Sun's light deflection is treated alike."""
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        of_date = SkyCoord(*place, unit="deg", frame=ICRS()).transform_to(TETE(obstime=Time(NIGHT)))
        theirs = (of_date.ra.to_value(u.deg), of_date.dec.to_value(u.deg))
    assert separation_arcsec(of_date_from_j2000(*place, NIGHT), theirs) < 0.02


def test_27_years_of_precession_are_a_third_of_a_degree():
    """50.3 arcsec a year along the ecliptic (Lieske et al. 1977), 26.9 years: 1353 arcsec."""
    moved = separation_arcsec((0.0, 0.0), of_date_from_j2000(0.0, 0.0, NIGHT))
    assert moved == pytest.approx(1353.0, abs=40.0)


@given(st.floats(0.0, 360.0, exclude_max=True), st.floats(-89.9, 89.9))
def test_there_and_back_is_the_same_place(right_ascension, declination):
    there = of_date_from_j2000(right_ascension, declination, NIGHT)
    assert separation_arcsec(j2000_from_of_date(*there, NIGHT), (right_ascension, declination)) < (
        1e-3
    )
