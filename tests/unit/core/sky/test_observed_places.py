"""Observed places against ERFA's own test values, astropy and published examples."""

import math
from datetime import UTC, datetime, timedelta

import erfa
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from polewright.core.geometry.directions import (
    ARCSEC_RAD,
    altaz_from_enu,
    angle_between,
)
from polewright.core.sky.instant import (
    earth_orientation,
    local_apparent_sidereal_time,
    utc_julian_dates,
)
from polewright.core.sky.observed import ObservingMoment, pole_enu, refraction_rad
from polewright.core.sky.place import Place, standard_pressure_hpa
from polewright.core.sky.sun import sun_enu

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
NIGHT = datetime(2026, 11, 25, 20, 0, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _no_downloads():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield


def _stars(count: int, seed: int) -> np.ndarray:
    vectors = np.random.default_rng(seed).normal(size=(count, 3))
    return vectors / np.linalg.norm(vectors, axis=1)[:, None]


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize("hours", [0, 2000, 7000])
def test_single_stars_agree_with_erfa_atco13_to_a_thousandth_of_an_arcsecond(place, hours):
    """Source: ERFA atco13 (IAU SOFA), star by star, with the same Earth orientation."""
    instant = NIGHT - timedelta(hours=hours)
    orientation = earth_orientation(instant)
    jd = utc_julian_dates(instant)
    moment = ObservingMoment.at(place, instant)
    checked = 0
    for star in _stars(200, hours):
        enu = moment.enu_from_icrs(star)
        if enu[2] < np.sin(np.radians(5.0)):
            continue
        longitude, latitude = erfa.c2s(star)
        azimuth, zenith_distance, *_ = erfa.atco13(
            longitude, latitude, 0, 0, 0, 0, *jd, orientation.dut1_s,
            np.radians(place.longitude_deg), place.latitude_rad, place.elevation_m,
            orientation.polar_motion_x_rad, orientation.polar_motion_y_rad,
            place.air_pressure_hpa, place.temperature_c, place.relative_humidity,
            place.wavelength_um,
        )  # fmt: skip
        expected = erfa.s2c(np.pi / 2 - azimuth, np.pi / 2 - zenith_distance)
        assert angle_between(enu, expected) < 0.001 * ARCSEC_RAD
        checked += 1
    assert checked > 50


def test_the_sofa_example_star_comes_out_to_the_published_digits():
    """Source: IAU SOFA test programme t_sofa_c, function atco13 (as shipped with pyerfa)."""
    azimuth, zenith_distance, *_ = erfa.atco13(
        2.71, 0.174, 1e-5, 5e-6, 0.1, 55.0, 2456384.5, 0.969254051, 0.1550675,
        -0.527800806, -1.2345856, 2738.0, 2.47230737e-7, 1.82640464e-6, 731.0, 12.8, 0.59, 0.55,
    )  # fmt: skip
    assert azimuth == pytest.approx(0.9251774485485515e-1, abs=1e-12)
    assert zenith_distance == pytest.approx(1.407661405256499357, abs=1e-12)
    # The same star through our own chain: its place with proper motion and parallax applied
    # (erfa pmpx) is what a catalogue match hands over.
    place = Place(
        latitude_deg=np.degrees(-1.2345856),
        longitude_deg=np.degrees(-0.527800806),
        elevation_m=2738.0,
        pressure_hpa=731.0,
        temperature_c=12.8,
        relative_humidity=0.59,
        wavelength_um=0.55,
    )
    instant = datetime(2013, 4, 2, tzinfo=UTC) + timedelta(days=0.969254051)
    moment = ObservingMoment.at(place, instant)
    context = moment.context
    astrometric = erfa.pmpx(2.71, 0.174, 1e-5, 5e-6, 0.1, 55.0, context["pmt"], context["eb"])
    altitude, azimuth_ours = altaz_from_enu(moment.enu_from_icrs(astrometric))
    # The example's own UT1-UTC is 0.155 s where the IERS says otherwise: 15 arcsec per second.
    dut1_rad = abs(earth_orientation(instant).dut1_s - 0.1550675) * 15.05 * ARCSEC_RAD
    assert abs(np.pi / 2 - altitude - 1.407661405256499357) < dut1_rad + 0.01 * ARCSEC_RAD
    assert abs(azimuth_ours - 0.9251774485485515e-1) < 2 * dut1_rad + 0.01 * ARCSEC_RAD


def test_stars_agree_with_astropy_altaz_with_pressure():
    """Source: astropy's AltAz frame, a different path through the same standards."""
    instant = NIGHT
    stars = _stars(300, 3)
    moment = ObservingMoment.at(TERRACE, instant)
    enu = moment.enu_from_icrs(stars)
    location = EarthLocation.from_geodetic(22.70, -32.40, 1250.0)
    frame = AltAz(
        obstime=Time(instant),
        location=location,
        pressure=TERRACE.air_pressure_hpa * u.hPa,
        temperature=TERRACE.temperature_c * u.deg_C,
        relative_humidity=TERRACE.relative_humidity,
        obswl=TERRACE.wavelength_um * u.micron,
    )
    longitude, latitude = erfa.c2s(stars)
    there = SkyCoord(longitude * u.rad, latitude * u.rad).transform_to(frame)
    high = there.alt.deg > 15.0
    expected = erfa.s2c(np.pi / 2 - there.az.rad, there.alt.rad)
    separations = [
        angle_between(a, b) / ARCSEC_RAD for a, b in zip(enu[high], expected[high], strict=True)
    ]
    assert len(separations) > 60
    assert max(separations) < 0.1


def test_places_of_date_survive_the_round_trip():
    moment = ObservingMoment.at(YARD, NIGHT)
    for star in _stars(50, 5):
        of_date = moment.of_date_from_icrs(star)
        back = moment.icrs_from_of_date(*of_date)
        assert angle_between(back, star) < 1e-6 * ARCSEC_RAD
        assert angle_between(
            moment.enu_from_of_date(*of_date), moment.enu_from_icrs(star)
        ) < 1e-6 * ARCSEC_RAD  # fmt: skip


def test_the_sun_agrees_with_the_nrel_example():
    """Source: Reda & Andreas, NREL/TP-560-34302 (2008), appendix: zenith 50.11162, azimuth
    194.34024 deg.  It takes UT1 = UTC and its own refraction: agreement to 0.002 deg."""
    place = Place(
        latitude_deg=39.742476,
        longitude_deg=-105.1786,
        elevation_m=1830.14,
        pressure_hpa=820.0,
        temperature_c=11.0,
    )
    altitude, azimuth = altaz_from_enu(
        sun_enu(place, datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC))
    )
    assert 90.0 - np.degrees(altitude) == pytest.approx(50.11162, abs=0.002)
    assert np.degrees(azimuth) == pytest.approx(194.34024, abs=0.0021)


def test_sidereal_time_agrees_with_the_worked_example():
    """Source: Meeus, Astronomical Algorithms (2nd ed.), example 12.a, apparent sidereal time at
    Greenwich, 10 April 1987, 0h UT: 13h 10m 46.1351s (from memory; UT1 - UTC = -0.457 s of that
    day moves it by what a UTC clock is off)."""
    instant = datetime(1987, 4, 10, tzinfo=UTC)
    dut1_s = earth_orientation(instant).dut1_s
    seconds = math.degrees(local_apparent_sidereal_time(instant, 0.0)) * 240.0 - dut1_s
    assert seconds == pytest.approx(13 * 3600 + 10 * 60 + 46.1351, abs=0.01)


def test_a_star_of_date_agrees_with_the_worked_example():
    """Source: Meeus, Astronomical Algorithms (2nd ed.), examples 21.b and 23.a, theta Persei on
    13.19 November 2028: apparent 2h 46m 14.390s, +49 deg 21 min 07.45 sec (from memory)."""
    years = (2462088.69 - 2451545.0) / 365.25
    longitude = math.radians(15.0 * (2 + 44 / 60 + (11.986 + 0.03425 * years) / 3600))
    latitude = math.radians(49 + 13 / 60 + (42.48 - 0.0895 * years) / 3600)
    instant = datetime(2028, 11, 13, 4, 33, 36, tzinfo=UTC) - timedelta(seconds=69.2)
    moment = ObservingMoment.at(YARD, instant)
    right_ascension, declination = moment.of_date_from_icrs(erfa.s2c(longitude, latitude))
    east = (right_ascension - math.radians(15.0 * (2 + 46 / 60 + 14.390 / 3600))) / ARCSEC_RAD
    north = (declination - math.radians(49 + 21 / 60 + 7.45 / 3600)) / ARCSEC_RAD
    # Meeus' theory of nutation and aberration is good to a few hundredths; the observer's own
    # motion (0.2 arcsec here at most) is not in it.
    assert math.hypot(east * math.cos(declination), north) < 0.35


def test_sidereal_time_agrees_with_astropy():
    """Source: astropy's apparent sidereal time (IAU 2006/2000A)."""
    ours = local_apparent_sidereal_time(NIGHT, 22.70)
    theirs = Time(NIGHT).sidereal_time("apparent", longitude=22.70 * u.deg).rad
    assert abs(ours - theirs) < 1e-3 * 15 * ARCSEC_RAD


@pytest.mark.parametrize(
    ("altitude_deg", "arcsec"), [(15, 212.8), (20, 157.8), (30, 100.0), (45, 57.9), (60, 33.4)]
)
def test_refraction_agrees_with_bennetts_formula_within_three_percent(altitude_deg, arcsec):
    """Source: Bennett (1982) J. Navigation 35, 255, at 1010 hPa, 10 C; the two models differ by
    3 percent between 10 and 45 deg.  The list is ERFA's own refco, computed once."""
    place = Place(
        latitude_deg=0, longitude_deg=0, pressure_hpa=1010.0, temperature_c=10.0,
        relative_humidity=0.0, wavelength_um=0.574,
    )  # fmt: skip
    true_altitude = np.radians(altitude_deg) - arcsec * ARCSEC_RAD
    lift = refraction_rad(true_altitude, place) / ARCSEC_RAD
    bennett = 60.0 / np.tan(np.radians(altitude_deg + 7.31 / (altitude_deg + 4.4)))
    assert lift == pytest.approx(arcsec, rel=0.006)
    assert lift == pytest.approx(bennett, rel=0.035)


def test_standard_pressure_agrees_with_the_icao_table():
    """Source: ICAO standard atmosphere, 1000 m: 898.74 hPa; 2000 m: 794.95 hPa (from memory)."""
    assert standard_pressure_hpa(1000.0) == pytest.approx(898.74, abs=0.1)
    assert standard_pressure_hpa(2000.0) == pytest.approx(794.95, abs=0.1)


def test_the_refracted_pole_stands_above_the_true_one_on_the_meridian():
    true = altaz_from_enu(pole_enu(TERRACE, refracted=False))
    refracted = altaz_from_enu(pole_enu(TERRACE, refracted=True))
    assert true == pytest.approx((np.radians(32.40), np.pi))
    assert refracted[1] == pytest.approx(np.pi)
    # +58" cot(latitude) at sea level, less at 1250 m by the pressure.
    expected = 58.0 / np.tan(np.radians(32.40)) * TERRACE.air_pressure_hpa / 1010.0
    assert (refracted[0] - true[0]) / ARCSEC_RAD == pytest.approx(expected, rel=0.03)


def test_an_instant_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        utc_julian_dates(datetime(2026, 1, 1))  # noqa: DTZ001


def test_the_leap_second_counts_from_the_midnight_after_it():
    """IERS Bulletin C 52 and 14 C04: UT1-UTC leapt from -0.409 s to +0.591 s at 2017 January 1."""
    midnight = datetime(2017, 1, 1, tzinfo=UTC)
    before = earth_orientation(midnight - timedelta(seconds=1.0)).dut1_s
    assert before == pytest.approx(-0.409, abs=0.001)
    assert earth_orientation(midnight).dut1_s == pytest.approx(0.591, abs=0.001)


def test_far_in_the_future_the_earth_orientation_is_said_to_be_unknown():
    assert not earth_orientation(datetime(2060, 1, 1, tzinfo=UTC)).known
    assert earth_orientation(NIGHT).known
