"""Places on the sky as people write them, against astropy's reading of the same texts."""

import math

import pytest
from astropy import units
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.errors import UsageError
from polewright.core.plan.sky_target import read_place

ARCSEC = 1.0 / 3600.0


@pytest.mark.parametrize(
    "text",
    [
        "13:26:47.3 -47:28:46.1",
        "13h26m47.3s -47d28m46.1s",
        "13 26 47.3 -47 28 46.1",
        "13:26:47.3, -47:28:46.1",
        "13h26m47.3s -47°28'46.1\"",
        "00:00:01 -00:00:59",
        "05:38 -69:06",
        "0h +89d59m",
    ],
)
def test_sexagesimal_places_are_read_as_astropy_reads_them(text):
    plain = text.replace(",", " ").replace("°", "d").replace("'", "m").replace('"', "s")
    theirs = SkyCoord(plain, unit=(units.hourangle, units.deg))
    ours = read_place(text)
    assert ours.right_ascension_deg == pytest.approx(theirs.ra.deg, abs=0.001 * ARCSEC)
    assert ours.declination_deg == pytest.approx(theirs.dec.deg, abs=0.001 * ARCSEC)


def test_single_numbers_are_degrees_both():
    place = read_place("201.697 -47.479")
    assert (place.right_ascension_deg, place.declination_deg) == (201.697, -47.479)


def test_a_place_may_have_a_name():
    place = read_place("  the comet = 13:26:47 -47:28:46")
    assert place.name == "the comet"
    assert place.right_ascension_deg == pytest.approx(201.69583, abs=1e-5)


@pytest.mark.parametrize("text", ["M 83", "ngc 5139", "Canopus", "47 Tuc", "30 Dor Cluster", ""])
def test_names_are_left_to_the_catalogue(text):
    assert read_place(text) is None


@pytest.mark.parametrize(
    "text",
    [
        "25:00:00 -10:00:00",
        "13:60:00 -10:00:00",
        "13:26:47 -95:00:00",
        "13:26:47 -89:60:00",
        "361.0 -10.0",
        "13 26 47 -47",
        "13:26:47 47:28:46:10",
        "13:-26:47 10:00:00",
        "comet = somewhere",
        "comet =",
        "1e3 10",
    ],
)
def test_what_is_meant_as_a_place_and_is_none_is_refused_with_the_right_way(text):
    with pytest.raises(UsageError) as caught:
        read_place(text)
    assert caught.value.code == "bad_coordinates"
    assert "13:26:47" in caught.value.remedy


@given(
    hours=st.integers(0, 23), minutes=st.integers(0, 59), seconds=st.integers(0, 59),
    degrees=st.integers(0, 89), arcmin=st.integers(0, 59), south=st.booleans(),
)  # fmt: skip
def test_the_sign_holds_for_all_parts(hours, minutes, seconds, degrees, arcmin, south):
    text = f"{hours}:{minutes:02d}:{seconds:02d} {'-' if south else '+'}{degrees}:{arcmin:02d}"
    place = read_place(text)
    size = degrees + arcmin / 60.0
    assert place.declination_deg == pytest.approx(-size if south else size)
    assert place.right_ascension_deg == pytest.approx(
        15.0 * (hours + minutes / 60.0 + seconds / 3600.0)
    )
    assert math.isclose(float((place.direction_icrs**2).sum()), 1.0, rel_tol=1e-12)


@given(st.text(max_size=80))
def test_no_text_at_all_does_harm(text):
    try:
        place = read_place(text)
    except UsageError:
        return
    if place is not None:
        assert 0.0 <= place.right_ascension_deg < 360.0
        assert -90.0 <= place.declination_deg <= 90.0
