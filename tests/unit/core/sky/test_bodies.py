"""Sun, Moon and planets against other paths (skyfield with JPL's DE421, astropy) and almanacs."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import astropy.units as u
import erfa
import numpy as np
import pytest
import skyfield_data
from astropy.coordinates import AltAz, EarthLocation, get_body, solar_system_ephemeris
from astropy.time import Time
from astropy.utils import iers
from skyfield.api import load, load_file, wgs84

from polewright.core.geometry.directions import ARCSEC_RAD, angle_between, vector_from_spherical
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import ACCURACY_RAD, AU_KM, Body, geometric_au
from polewright.core.sky.place import Place

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
AIRLESS = {
    "terrace": Place(
        latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0, pressure_hpa=0.0
    ),
    "yard": Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0, pressure_hpa=0.0),
}
SKYFIELD_NAMES = {
    Body.SUN: "sun",
    Body.MOON: "moon",
    Body.MERCURY: "mercury",
    Body.VENUS: "venus",
    Body.MARS: "mars",
    Body.JUPITER: "jupiter barycenter",
    Body.SATURN: "saturn barycenter",
}
START = datetime(2026, 3, 3, 9, 17, tzinfo=UTC)


@pytest.fixture(scope="module")
def jpl():
    """DE421, as the package skyfield-data carries it."""
    kernel = load_file(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    yield kernel
    kernel.close()


@pytest.mark.parametrize("body", list(Body))
def test_a_body_stands_where_skyfield_puts_it_within_the_stated_accuracy(body, jpl):
    """Source: skyfield 1.5x with JPL DE421: another program, another ephemeris."""
    place = AIRLESS["yard"]
    there = jpl["earth"] + wgs84.latlon(
        place.latitude_deg, place.longitude_deg, elevation_m=place.elevation_m
    )
    timescale = load.timescale(builtin=True)
    squares = []
    for days in np.arange(0.0, 3600.0, 61.3):
        instant = START + timedelta(days=float(days))
        seen = body_place(body, place, instant)
        apparent = there.at(timescale.from_datetime(instant)).observe(
            jpl[SKYFIELD_NAMES[body]]
        ).apparent()  # fmt: skip
        ra, dec, distance = apparent.radec("date")
        theirs = vector_from_spherical(ra.radians, dec.radians)
        ours = vector_from_spherical(seen.right_ascension_rad, seen.declination_rad)
        squares.append(angle_between(ours, theirs) ** 2)
        assert seen.distance_au == pytest.approx(distance.au, rel=3e-4)
    rms = math.sqrt(np.mean(squares))
    # The Earth's turn of years ahead is a guess in both: the Moon's parallax feels 0.3 arcsec.
    assert rms < 1.2 * ACCURACY_RAD[body] + 0.05 * ARCSEC_RAD
    assert max(squares) ** 0.5 < 6.0 * ACCURACY_RAD[body] + 0.05 * ARCSEC_RAD
    assert rms > 0.2 * ACCURACY_RAD[body], "the stated accuracy is far too pessimistic"


@pytest.mark.parametrize("place", [TERRACE, YARD])
@pytest.mark.parametrize("body", [Body.SUN, Body.MOON, Body.VENUS, Body.JUPITER])
def test_parallax_light_time_aberration_and_air_agree_with_astropy(body, place):
    """Source: astropy's get_body and AltAz: the same series, another path to the horizon."""
    location = EarthLocation.from_geodetic(
        place.longitude_deg, place.latitude_deg, place.elevation_m
    )
    checked = 0
    with iers.conf.set_temp("auto_download", False), solar_system_ephemeris.set("builtin"):
        for hours in np.arange(0.0, 24.0 * 28.0, 53.0):
            instant = START + timedelta(hours=float(hours))
            seen = body_place(body, place, instant)
            near_the_sun = 0.0 < seen.elongation_rad < math.radians(5.0)
            if seen.altitude_rad < math.radians(10.0) or near_the_sun:
                continue  # astropy bends the light of a planet there as if it came from a star
            frame = AltAz(
                obstime=Time(instant),
                location=location,
                pressure=place.air_pressure_hpa * u.hPa,
                temperature=place.temperature_c * u.deg_C,
                relative_humidity=place.relative_humidity,
                obswl=place.wavelength_um * u.micron,
            )
            there = get_body(body.value, Time(instant), location).transform_to(frame)
            theirs = erfa.s2c(np.pi / 2.0 - there.az.rad, there.alt.rad)
            assert angle_between(seen.direction_enu, theirs) < 0.1 * ARCSEC_RAD
            checked += 1
    assert checked >= 3


def test_the_moon_of_meeus_example_47a():
    """Source: Meeus, Astronomical Algorithms, example 47.a (1992 April 12, 0 h TD, from memory):
    longitude 133.162655 deg without nutation, latitude -3.229126, distance 368409.7 km.

    The place is of the mean equinox of date and holds 0.70 arcsec of light time.
    """
    first, second = 2448724.5, 0.0
    moon, _ = geometric_au(Body.MOON, first, second)
    earth = erfa.epv00(first, second)[1]["p"]
    longitude, latitude = erfa.c2s(erfa.ecm06(first, second) @ (moon - earth))
    assert math.degrees(float(longitude)) % 360.0 == pytest.approx(133.162655, abs=0.0004)
    assert math.degrees(float(latitude)) == pytest.approx(-3.229126, abs=0.0001)
    assert np.linalg.norm(moon - earth) * AU_KM == pytest.approx(368409.7, abs=40.0)


def test_the_lit_part_of_the_moon_of_meeus_example_48a():
    """Source: Meeus, example 48.a (1992 April 12, 0 h TD, from memory): lit 0.6786, phase angle
    69.0756 deg, bright limb at 285.0 deg; from the Earth's centre, so the parallax is left."""
    instant = datetime(1992, 4, 12, tzinfo=UTC) - timedelta(seconds=59.2)
    # Where the Moon stands near the zenith its parallax is nearly nothing.
    here = max(
        (
            Place(latitude_deg=14.0, longitude_deg=float(longitude), pressure_hpa=0.0)
            for longitude in range(-180, 180, 5)
        ),
        key=lambda place: body_place(Body.MOON, place, instant).altitude_rad,
    )
    moon = body_place(Body.MOON, here, instant)
    assert math.degrees(moon.altitude_rad) > 86.0
    assert moon.illuminated_fraction == pytest.approx(0.6786, abs=0.001)
    assert math.degrees(moon.phase_angle_rad) == pytest.approx(69.0756, abs=0.1)
    assert math.degrees(moon.bright_limb_rad) == pytest.approx(285.0, abs=0.1)


def test_the_sun_of_meeus_example_25b():
    """Source: Meeus, example 25.b (1992 October 13, 0 h TD, from memory): apparent
    13 h 13 m 30.749 s, -7 deg 47 arcmin 01.74 arcsec, from the Earth's centre."""
    instant = datetime(1992, 10, 13, tzinfo=UTC) - timedelta(seconds=59.2)
    # The Sun overhead: no parallax; the Earth's own turn throws it 0.319 arcsec to the east.
    here = Place(latitude_deg=-7.8, longitude_deg=176.6)
    sun = body_place(Body.SUN, here, instant)
    assert math.degrees(sun.altitude_rad) > 89.5
    thrown_s = 0.319 * math.cos(here.latitude_rad) / 15.0
    seconds = math.degrees(sun.right_ascension_rad) * 240.0 - (13 * 60 + 13) * 60.0 - thrown_s
    arcsec = math.degrees(sun.declination_rad) * 3600.0 + (7 * 60 + 47) * 60.0
    assert seconds == pytest.approx(30.749, abs=0.007)
    assert arcsec == pytest.approx(-1.74, abs=0.1)


def test_venus_of_meeus_example_13b_is_found_in_the_sky_of_washington():
    """Source: Meeus, example 13.b (1987 April 10, 19:21 UT, from memory): azimuth 68.0337 deg from
    the south, altitude 15.1249 deg; geocentric, without air."""
    washington = Place(latitude_deg=38.921389, longitude_deg=-77.065556, pressure_hpa=0.0)
    venus = body_place(Body.VENUS, washington, datetime(1987, 4, 10, 19, 21, tzinfo=UTC))
    parallax_deg = math.degrees(8.8 * ARCSEC_RAD / venus.distance_au)
    assert math.degrees(venus.azimuth_rad) - 180.0 == pytest.approx(68.0337, abs=0.001)
    assert math.degrees(venus.altitude_rad) + parallax_deg * math.cos(
        venus.altitude_rad
    ) == pytest.approx(15.1249, abs=0.001)


def test_discs_have_the_sizes_of_almanacs():
    """Source: nominal radii over the distance; the Sun's 959.6 arcsec at 1 au, +-1.7 % a year."""
    january = body_place(Body.SUN, YARD, datetime(2026, 1, 3, 12, tzinfo=UTC))
    july = body_place(Body.SUN, YARD, datetime(2026, 7, 6, 12, tzinfo=UTC))
    assert january.angular_radius_rad / ARCSEC_RAD == pytest.approx(975.5, abs=1.0)
    assert july.angular_radius_rad / ARCSEC_RAD == pytest.approx(943.5, abs=1.0)
    assert january.illuminated_fraction == 1.0
    venus = body_place(Body.VENUS, YARD, datetime(2026, 10, 24, 12, tzinfo=UTC))
    assert 2.0 * venus.angular_radius_rad / ARCSEC_RAD == pytest.approx(62.0, abs=1.5)
    assert venus.illuminated_fraction < 0.02


def test_the_bright_limb_points_at_the_sun():
    moon = body_place(Body.MOON, YARD, datetime(2026, 11, 16, 15, tzinfo=UTC))
    sun = body_place(Body.SUN, YARD, datetime(2026, 11, 16, 15, tzinfo=UTC))
    assert abs(float(moon.toward_sun_enu @ moon.direction_enu)) < 1e-12
    on_the_way = moon.direction_enu * math.cos(moon.elongation_rad) + (
        moon.toward_sun_enu * math.sin(moon.elongation_rad)
    )
    assert angle_between(on_the_way, sun.direction_enu) < 0.1 * ARCSEC_RAD
