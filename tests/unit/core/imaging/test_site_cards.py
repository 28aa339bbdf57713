"""Where FITS headers say that their pictures were taken."""

import warnings

import numpy as np
import pytest
from astropy.coordinates import EarthLocation
from astropy.io import fits
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.imaging.decode import decode_picture
from polewright.core.imaging.site_cards import places_told
from tests.unit.core.imaging.test_decode import RAMP, fits_bytes

TERRACE = (-32.40, 22.70, 1250.0)


def told(**header):
    return places_told({key.replace("_", "-"): value for key, value in header.items()})


def only(**header):
    (place,) = told(**header)
    return place


@pytest.mark.parametrize(
    ("latitude", "longitude", "height"), [TERRACE, (47.0, 8.0, 450.0), (-89.9, -170.0, 2800.0)]
)
def test_geocentric_metres_agree_with_astropy(latitude, longitude, height):
    x, y, z = EarthLocation.from_geodetic(longitude, latitude, height).to_value("m")
    place = only(OBSGEO_X=x, OBSGEO_Y=y, OBSGEO_Z=z)
    assert place.latitude_deg == pytest.approx(latitude, abs=1e-9)
    assert place.longitude_deg == pytest.approx(longitude, abs=1e-9)
    assert place.elevation_m == pytest.approx(height, abs=1e-3)


@pytest.mark.parametrize(("latitude", "longitude", "height"), [TERRACE, (47.0, 8.0, 450.0)])
def test_both_ways_of_the_standard_agree_as_wcslib_sets_them_equal(latitude, longitude, height):
    """wcslib completes each set of OBSGEO cards from the other, by code of its own.

    Its ellipsoid is that of IAU 1976, 3 m larger: 5 m are allowed, 0.2 arcsec.
    """
    header = fits.Header({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "DATE-OBS": "2026-11-25"})
    header.update({"OBSGEO-B": latitude, "OBSGEO-L": longitude, "OBSGEO-H": height})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        x, y, z = WCS(header, naxis=2).wcs.obsgeo[:3]
    place = only(OBSGEO_X=x, OBSGEO_Y=y, OBSGEO_Z=z)
    assert place.latitude_deg == pytest.approx(latitude, abs=5e-5)
    assert place.longitude_deg == pytest.approx(longitude, abs=5e-5)
    assert place.elevation_m == pytest.approx(height, abs=5.0)


@pytest.mark.parametrize(
    ("metres", "latitude", "longitude"),
    [
        # WGS84, defined major and derived minor axis (NIMA TR8350.2, tables 3.1 and 3.3).
        ((6378137.0, 0.0, 0.0), 0.0, 0.0),
        ((0.0, -6378137.0, 0.0), 0.0, -90.0),
        ((0.0, 0.0, 6356752.3142), 90.0, 0.0),
    ],
)
def test_the_ellipsoid_is_that_of_wgs84(metres, latitude, longitude):
    place = only(OBSGEO_X=metres[0], OBSGEO_Y=metres[1], OBSGEO_Z=metres[2])
    assert place.latitude_deg == pytest.approx(latitude, abs=1e-9)
    assert place.longitude_deg == pytest.approx(longitude, abs=1e-9)
    assert place.elevation_m == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [
        (-32.4, 22.7),
        (-32.4, 382.7 - 360.0),
        ("-32.4", "22.7"),
        ("-32 24 00", "+22 42 00"),
        ("-32:24:00.0", "22:42:00.0"),
        ("32 24 00 S", "22 42 00 E"),
        ("S32 24", "E 22 42"),
        ("-32d24m00s", "22d42m00s"),
        ("-32 24.0", "22 42.0"),
    ],
)
def test_common_practice_in_degrees_and_in_sexagesimal_text(latitude, longitude):
    """Common practice, no source."""
    place = only(SITELAT=latitude, SITELONG=longitude, SITEELEV=1250.0)
    assert place.latitude_deg == pytest.approx(-32.4, abs=1e-9)
    assert place.longitude_deg == pytest.approx(22.7, abs=1e-9)
    assert place.elevation_m == 1250.0


def test_minus_nothing_and_a_half_is_south():
    assert only(SITELAT="-00 30 00", SITELONG="10 00 00").latitude_deg == -0.5


def test_a_letter_says_west_and_degrees_beyond_half_a_turn_are_west_too():
    assert only(SITELAT="10", SITELONG="107 37 03 W").longitude_deg == pytest.approx(-107.6175)
    assert only(SITELAT=10.0, SITELONG=252.3825).longitude_deg == pytest.approx(-107.6175)


def test_a_height_that_is_not_told_stays_untold():
    assert only(SITELAT=-32.4, SITELONG=22.7).elevation_m is None
    assert only(SITELAT=-32.4, SITELONG=22.7, ALT_OBS=1250.0).elevation_m == 1250.0


def test_every_way_is_told_the_standard_first():
    places = told(SITELAT=-32.4, SITELONG=22.7, OBSGEO_B=47.0, OBSGEO_L=8.0)
    assert [place.latitude_deg for place in places] == [47.0, -32.4]


@pytest.mark.parametrize(
    "header",
    [
        {},
        {"SITELAT": -32.4},
        {"SITELAT": "somewhere", "SITELONG": "else"},
        {"SITELAT": "32 61 00", "SITELONG": "22 42 00"},
        {"SITELAT": "N32 24 00S", "SITELONG": "22 42 00"},
        {"SITELAT": 132.4, "SITELONG": 22.7},
        {"SITELAT": True, "SITELONG": True},
        {"OBSGEO_X": 0.0, "OBSGEO_Y": 0.0, "OBSGEO_Z": 0.0},
        {"OBSGEO_X": 6378.137, "OBSGEO_Y": 0.0, "OBSGEO_Z": 0.0},  # kilometres
        {"OBSGEO_X": 6378137.0, "OBSGEO_Y": 0.0},
        {"OBSGEO_X": float("nan"), "OBSGEO_Y": 0.0, "OBSGEO_Z": 1.0},
    ],
)
def test_what_is_no_place_is_none(header):
    assert told(**header) == ()


@settings(deadline=None)
@given(st.dictionaries(
    st.sampled_from(["SITELAT", "SITELONG", "ALT-OBS", "OBSGEO-X", "OBSGEO-Y", "OBSGEO-Z"]),
    st.one_of(st.text(max_size=12), st.floats(), st.integers(), st.booleans(), st.none()),
))  # fmt: skip
def test_no_header_breaks_it(header):
    for place in places_told(header):
        assert -90.0 <= place.latitude_deg <= 90.0
        assert -180.0 <= place.longitude_deg <= 180.0


def test_a_decoded_picture_carries_its_place():
    data = fits_bytes(RAMP.astype(np.uint16), SITELAT="-32 24 00", SITELONG="22 42 00")
    (place,) = decode_picture(data, name="hoopoe.fits").places
    assert place.latitude_deg == pytest.approx(-32.4)
    assert place.words == "SITELAT, SITELONG of hoopoe.fits"
