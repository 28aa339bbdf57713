"""What the simulated camera shows of Sun, Moon and planets, against sources outside it."""

import itertools
import math
from datetime import UTC, datetime
from pathlib import Path

import erfa
import numpy as np
import pytest
import skyfield_data
from astropy.time import Time
from astropy.utils import iers
from skyfield import almanac
from skyfield.api import load, load_file, wgs84
from skyfield.magnitudelib import planetary_magnitude

from polewright_drivers.sky_simulator.daylight import (
    clear_sky_ratio,
    daylight_mag_arcsec2,
    zenith_mag_arcsec2,
)
from polewright_drivers.sky_simulator.discs import Disc, Surface, add_disc, draw_spots
from polewright_drivers.sky_simulator.mechanics import azimuth_altitude_deg, direction
from polewright_drivers.sky_simulator.optics import scale_arcsec_px
from polewright_drivers.sky_simulator.rendering import Readout, Renderer, Trails
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import SITES, CameraTruth, Scenario, SkyTruth
from polewright_drivers.sky_simulator.scenario_file import from_tables
from polewright_drivers.sky_simulator.sky import Sky
from polewright_drivers.sky_simulator.solar_system import AU_KM, BODIES, SolarSystem

WHOLE = Readout(left_px=0, top_px=0, width_px=1280, height_px=960)
SCALE_ARCSEC = scale_arcsec_px(CameraTruth())
QUIET = {"read_noise_e": 0.0, "dark_current_e_s": 0.0, "hot_pixel_fraction": 0.0,
         "glare_fraction": 0.0, "full_well_e": 1e6, "gain_e_per_adu": 20.0}  # fmt: skip
SHARP = {"faintest_mag": 3.0, "seeing_fwhm_arcsec": 0.0, "optics_fwhm_um": 1.0}
SUN, MOON, VENUS, JUPITER, SATURN = BODIES
JPL_NAMES = {
    "sun": "sun",
    "moon": "moon",
    "venus": "venus",
    "jupiter": "jupiter barycenter",
    "saturn": "saturn barycenter",
}


@pytest.fixture(scope="module", name="jpl")
def _jpl():
    """DE421, as the package skyfield-data carries it."""
    kernel = load_file(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))
    yield kernel
    kernel.close()


def from_jpl(jpl, body: str, scenario: Scenario):
    """Return skyfield's apparent place from the site at the scenario's start, and its moment."""
    site = scenario.site
    start = scenario.clock.start()
    table = iers.earth_orientation_table.get()
    # The Earth's turn as the simulator has it: predictions differ by 0.2 s.
    ahead_s = float(table.ut1_utc(Time(start)).value)
    moment = load.timescale(delta_t=32.184 + 37.0 - ahead_s).from_datetime(start)
    here = jpl["earth"] + wgs84.latlon(
        site.latitude_deg, site.longitude_deg, elevation_m=site.elevation_m
    )
    return here.at(moment).observe(jpl[JPL_NAMES[body]]).apparent(), moment


def observed_enu(apparent, scenario: Scenario) -> np.ndarray:
    """Return skyfield's place raised by SOFA's refraction, A tan z + B tan^3 z."""
    site = scenario.site
    altitude, azimuth, _ = apparent.altaz()
    a, b = erfa.refco(
        site.station_pressure_hpa, site.temperature_c, site.relative_humidity, site.wavelength_um
    )
    true_z = math.pi / 2.0 - altitude.radians
    seen_z = true_z
    for _ in range(5):
        seen_z = true_z - a * math.tan(seen_z) - b * math.tan(seen_z) ** 3
    return direction(azimuth.degrees, 90.0 - math.degrees(seen_z))


def squeeze(seen_enu: np.ndarray, scenario: Scenario) -> float:
    """Return by how much refraction shrinks a small disc's mean radius there."""
    site = scenario.site
    a, b = erfa.refco(
        site.station_pressure_hpa, site.temperature_c, site.relative_humidity, site.wavelength_um
    )
    tangent2 = 1.0 / float(seen_enu[2]) ** 2 - 1.0
    upright = 1.0 - (a + 3.0 * b * tangent2) * (1.0 + tangent2)
    return math.sqrt(upright * (1.0 - a - b * tangent2))


class Shot:
    """A perfect or faulty mount that was sent to a body, and its picture."""

    def __init__(self, body: str, jpl, start: str, exposure_s: float, **tables) -> None:
        tables.setdefault("mount", {})
        tables["mount"].setdefault("slew_rate_deg_s", 100.0)
        tables.setdefault("sky", {"faintest_mag": 3.0})
        self.scenario = from_tables({"clock": {"start_utc": start}, **tables})
        self.apparent, self.moment = from_jpl(jpl, body, self.scenario)
        now = self.scenario.clock.start().timestamp() - 5.0
        self._now = now
        self.rig = Rig(self.scenario, lambda: self._now)
        ra, dec, _ = self.apparent.radec("date")
        self.rig.axes.go_to(self.rig.place(ra.hours * 15.0, dec.degrees), track=True)
        self._now = now + 4.9
        self.rig.advance()
        self._now = now + 5.0 - exposure_s / 2.0
        exposure, start_s = self.rig.begin_exposure()
        self._now += exposure_s
        self.rig.end_exposure(exposure)
        self.trails = self.rig.trails(exposure, start_s, exposure_s)
        self.exposure_s = exposure_s
        camera = self.scenario.camera
        self.renderer = Renderer(camera, self.scenario.sky, self.scenario.seed)

    def expected(self) -> np.ndarray:
        return self.renderer.expected(self.trails, self.exposure_s).astype(float)

    def pixels(self, gain_factor: float = 1.0) -> np.ndarray:
        whole = Readout(left_px=0, top_px=0, width_px=1280, height_px=960, gain_factor=gain_factor)
        return self.renderer.read(self.expected().astype(np.float32), whole)

    def axes_enu(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return boresight and the directions of column and row of a perfect mount whose camera
        is turned by 180 deg, from hour angle and declination alone."""
        place, side = self.rig.axes.believed()
        site = self.scenario.site
        lat, hour = math.radians(site.latitude_deg), math.radians(place.hour_angle_deg)
        dec = math.radians(place.declination_deg)
        pole = np.array([0.0, math.cos(lat), math.sin(lat)])
        meridian = np.array([0.0, -math.sin(lat), math.cos(lat)])
        west = np.array([-1.0, 0.0, 0.0])
        toward = meridian * math.cos(hour) + west * math.sin(hour)
        ahead = toward * math.cos(dec) + pole * math.sin(dec)
        north = pole * math.cos(dec) - toward * math.sin(dec)
        celestial_west = west * math.cos(hour) - meridian * math.sin(hour)
        # Tube west of the pier: the picture of a camera at 180 deg has the elevated pole down and,
        # in the north, west to the right; on the other side of the pier it is upside down.
        turned = site.side * (1.0 if side == "west" else -1.0)
        return ahead, celestial_west * turned, -north * turned

    def should_be_px(self) -> tuple[float, float]:
        seen = observed_enu(self.apparent, self.scenario)
        ahead, columns, rows = self.axes_enu()
        scale = 206264.806 / SCALE_ARCSEC
        depth = float(seen @ ahead)
        return (
            639.5 + scale * float(seen @ columns) / depth,
            479.5 + scale * float(seen @ rows) / depth,
        )


def middle_of(mask: np.ndarray) -> tuple[float, float]:
    rows, columns = np.nonzero(mask)
    return float(columns.mean()), float(rows.mean())


def lit_part(picture: np.ndarray, part: float) -> np.ndarray:
    floor = np.median(picture)
    return picture > floor + part * (picture.max() - floor)


SUNNY = [
    ("south", "2026-11-25T07:40:00"),
    ("south", "2026-11-25T14:10:00"),
    ("north", "2026-06-20T07:00:00"),
    ("north", "2026-11-25T13:30:00"),
]


@pytest.mark.parametrize(("site", "start"), SUNNY)
def test_the_sun_is_where_jpl_has_it_and_as_large(site, start, jpl):
    """Place: skyfield with DE421 and SOFA's refraction constants, 0.1 px (0.65 arcsec).  Size:
    959.63 arcsec at 1 au (Astronomical Almanac), 0.1 px of the radius by the disc's area."""
    shot = Shot("sun", jpl, start, 1.5e-4, site_name=site,
                camera={**QUIET, "solar_filter": True}, sky=SHARP)  # fmt: skip
    disc = lit_part(shot.pixels().astype(float), 0.15)
    assert middle_of(disc) == pytest.approx(shot.should_be_px(), abs=0.1)
    radius_px = math.sqrt(disc.sum() / math.pi)
    wanted = 959.63 / shot.apparent.distance().au / SCALE_ARCSEC
    wanted *= squeeze(observed_enu(shot.apparent, shot.scenario), shot.scenario)
    assert radius_px == pytest.approx(wanted, abs=0.1)


def test_the_sun_is_0_2666_deg_in_radius_at_one_astronomical_unit():
    """Astronomical Almanac: 959.63 arcsec."""
    assert math.degrees(math.asin(SUN.radius_km / AU_KM)) == pytest.approx(0.26656, abs=1e-5)


@pytest.mark.parametrize("cone_arcmin", [-9.0, 12.0])
def test_the_cone_error_moves_the_sun_as_it_moves_a_star(cone_arcmin, jpl):
    """The tube leans along the columns of a camera that is not turned, by the cone error."""
    plain, leaning = (
        Shot(
            "sun",
            jpl,
            SUNNY[0][1],
            1.5e-4,
            mount={"cone_arcmin": cone},
            camera={**QUIET, "solar_filter": True, "roll_deg": 0.0},
        )
        for cone in (0.0, cone_arcmin)
    )
    (was, row), (now, row_now) = (
        middle_of(lit_part(s.pixels().astype(float), 0.15)) for s in (plain, leaning)
    )
    assert now - was == pytest.approx(-cone_arcmin * 60.0 / SCALE_ARCSEC, abs=0.3)
    assert row_now == pytest.approx(row, abs=0.3)


def test_an_axis_that_is_off_moves_sun_and_sky_alike(jpl):
    """The direction that a perfect mount has in the middle is as far off as the Sun's picture."""
    faulty = {"axis_altitude_error_deg": 0.4, "axis_azimuth_error_deg": 0.3,
              "non_perpendicularity_arcmin": 6.0}  # fmt: skip
    shot = Shot("sun", jpl, SUNNY[1][1], 1.5e-4, mount=faulty,
                camera={**QUIET, "solar_filter": True})  # fmt: skip
    seen = observed_enu(shot.apparent, shot.scenario)
    away = math.acos(float(shot.rig.mechanics.enu_from_camera(shot.rig.joints())[:, 0] @ seen))
    column, row = middle_of(lit_part(shot.pixels().astype(float), 0.15))
    off_px = math.hypot(column - 639.5, row - 479.5)
    assert off_px > 60.0
    assert off_px == pytest.approx(math.tan(away) * 206264.806 / SCALE_ARCSEC, abs=0.15)


def test_without_its_filter_the_sun_fills_every_pixel_and_with_it_only_its_disc(jpl):
    bare = Shot("sun", jpl, SUNNY[0][1], 1e-4)
    full = bare.scenario.camera.full_well_e / bare.scenario.camera.gain_e_per_adu
    assert bare.pixels().min() > 0.99 * full
    safe = Shot("sun", jpl, SUNNY[0][1], 1.5e-4, camera={"solar_filter": True}).pixels()
    disc = lit_part(safe.astype(float), 0.15)
    assert 0.5 * full < np.median(safe[disc]) < 0.9 * full, "well exposed"
    assert np.median(safe[~disc]) < 0.01 * full + 600.0


def test_the_sun_darkens_to_its_limb_as_allen_has_it(jpl):
    """0.30 + 0.93 mu - 0.23 mu^2 at 550 nm (Allen's Astrophysical Quantities, from memory): at
    half and at 0.9 of the radius."""
    shot = Shot("sun", jpl, SUNNY[0][1], 1.5e-4, camera={**QUIET, "solar_filter": True})
    picture = shot.expected()
    column, row = shot.should_be_px()
    rows, columns = np.indices(picture.shape)
    away = np.hypot(columns - column, rows - row) / shot.trails.discs[0].radius_px
    centre = np.median(picture[away < 0.05])
    for radius, wanted in ((0.5, 0.9329), (0.9, 0.6617)):
        ring = np.median(picture[np.abs(away - radius) < 0.01])
        assert ring / centre == pytest.approx(wanted, abs=0.01)


def test_spots_belong_to_the_seed_and_darken_little():
    def sun(spots: np.ndarray) -> np.ndarray:
        disc = Disc(centre_px=np.array([[640.0, 480.0]]), across_px=np.eye(2) * 150.0, mag=0.0,
                    surface=Surface.SUN, spots=spots)  # fmt: skip
        picture = np.zeros((960, 1280), dtype=np.float32)
        add_disc(picture, disc, [(1.0, 1.0)], 1e9)
        return picture

    clean = sun(np.zeros((0, 4)))
    first, again, other = (sun(draw_spots(seed)) for seed in (7, 7, 8))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    for spotted in (first, other):
        assert 1e-5 < 1.0 - spotted.sum() / clean.sum() < 0.01
        assert (spotted[clean > 1.0] / clean[clean > 1.0]).min() < 0.8


LUNAR = [
    ("south", "2026-11-18T17:30:00"),
    ("north", "2026-11-18T19:00:00"),
    ("south", "2026-11-24T20:00:00"),
    ("north", "2026-12-05T08:30:00"),
]


@pytest.mark.parametrize(("site", "start"), LUNAR)
def test_the_moon_has_its_phase_and_its_bright_limb_on_the_right_side(site, start, jpl):
    """Illuminated part (1 + cos i) / 2 and position angle of the bright limb by Meeus,
    Astronomical Algorithms, 48.1 and 48.5, from skyfield's places: 3 % and 2 deg."""
    shot = Shot("moon", jpl, start, 2e-3, site_name=site,
                camera=QUIET, sky={"daylight": True, "faintest_mag": 3.0})  # fmt: skip
    picture = shot.expected()
    disc = next(d for d in shot.trails.discs if d.radius_px > 100.0)
    column, row = shot.should_be_px()
    assert disc.centre_px[0] == pytest.approx((column, row), abs=3.0), "series of 5 to 20 arcsec"
    sun, _ = from_jpl(jpl, "sun", shot.scenario)
    (moon_ra, moon_dec, moon_au), (sun_ra, sun_dec, sun_au) = (
        a.radec("date") for a in (shot.apparent, sun)
    )
    psi = shot.apparent.separation_from(sun).radians
    phase = math.atan2(sun_au.au * math.sin(psi), moon_au.au - sun_au.au * math.cos(psi))
    lit = picture > np.median(picture) + 0.01 * (picture.max() - np.median(picture))
    part = lit.sum() / (math.pi * disc.radius_px**2)
    assert part == pytest.approx((1.0 + math.cos(phase)) / 2.0, abs=0.03)
    geocentric = almanac.fraction_illuminated(jpl, "moon", shot.moment)
    assert (1.0 + math.cos(phase)) / 2.0 == pytest.approx(float(geocentric), abs=0.01)
    if part > 0.98:
        return
    difference = sun_ra.radians - moon_ra.radians
    limb = math.atan2(
        math.cos(sun_dec.radians) * math.sin(difference),
        math.sin(sun_dec.radians) * math.cos(moon_dec.radians)
        - math.cos(sun_dec.radians) * math.sin(moon_dec.radians) * math.cos(difference),
    )
    lit_column, lit_row = middle_of(lit)
    _, columns, rows = shot.axes_enu()
    on_sky = columns * (lit_column - column) + rows * (lit_row - row)
    place, _ = shot.rig.axes.believed()
    hour = math.radians(place.hour_angle_deg)
    lat = math.radians(shot.scenario.site.latitude_deg)
    east = np.array([math.cos(hour), -math.sin(lat) * math.sin(hour),
                     math.cos(lat) * math.sin(hour)])  # fmt: skip
    north = np.cross(shot.axes_enu()[0], east)
    seen_deg = math.degrees(math.atan2(float(on_sky @ east), float(on_sky @ north)))
    assert abs((seen_deg - math.degrees(limb) + 180.0) % 360.0 - 180.0) < 2.0


@pytest.mark.parametrize("body", [VENUS, JUPITER, SATURN], ids=lambda b: b.name)
def test_planets_are_as_bright_as_mallama_and_hilton_say(body, jpl):
    """skyfield.magnitudelib (Mallama and Hilton 2018); the rings bring Saturn up to a magnitude."""
    system = SolarSystem(Sky(SITES["north"]))
    for start in ("2026-03-01T12:00:00", "2026-09-10T12:00:00", "2027-02-01T12:00:00"):
        scenario = from_tables({"site_name": "north", "clock": {"start_utc": start}})
        when = load.timescale(builtin=True).from_datetime(scenario.clock.start())
        there = jpl["earth"].at(when).observe(jpl[JPL_NAMES[body.name]])
        ours = system.rough_mag(body, scenario.clock.start().timestamp())
        theirs = float(planetary_magnitude(there))
        if body is SATURN:
            assert 0.0 < ours - theirs < 1.0
        else:
            assert ours == pytest.approx(theirs, abs=0.03)


def test_venus_outshines_the_day_and_is_a_small_disc(jpl):
    """About 20 arcsec of half a crescent in November 2026: a point at this scale, 30 sigma."""
    shot = Shot("venus", jpl, "2026-11-25T08:00:00", 5e-4)
    pixels = shot.pixels().astype(float)
    column, row = (round(c) for c in shot.should_be_px())
    near = pixels[row - 6 : row + 7, column - 6 : column + 7]
    assert near.max() > np.median(pixels) + 30.0 * np.std(pixels[:200, :200])
    disc = shot.trails.discs[0]
    wanted = math.degrees(6051.8 / AU_KM / shot.apparent.distance().au) * 3600.0 / SCALE_ARCSEC
    assert disc.radius_px == pytest.approx(wanted, rel=0.01)


def test_a_low_sun_is_flattened_by_the_air():
    """By Bennett's refraction (1982), cot(h + 7.31 / (h + 4.4)) arcmin at sea level and 10 deg C:
    the upper and lower edge of the Sun at 10 deg, to a part in a thousand."""
    site = from_tables({"site": {"elevation_m": 0.0, "pressure_hpa": 1010.0}}).site
    system = SolarSystem(Sky(site))

    def altitude(unix_s: float) -> float:
        return azimuth_altitude_deg(system.outline(SUN, unix_s).points_enu[0])[1]

    early, late = (datetime(2026, 11, 25, hour, tzinfo=UTC).timestamp() for hour in (15, 18))
    while late - early > 1.0:
        middle = (early + late) / 2.0
        early, late = (middle, late) if altitude(middle) > 10.0 else (early, middle)
    points = system.outline(SUN, early).points_enu
    axes = np.stack([points[1] - points[2], points[3] - points[4]]) / 2.0
    up = np.array([0.0, 0.0, 1.0]) - points[0] * points[0, 2]
    up /= np.linalg.norm(up)
    across = np.cross(points[0], up)
    high = math.sqrt(sum(float(a @ up) ** 2 for a in axes))
    wide = math.sqrt(sum(float(a @ across) ** 2 for a in axes))

    def bennett_deg(h: float) -> float:
        return 1.0 / math.tan(math.radians(h + 7.31 / (h + 4.4))) / 60.0

    # Apparent altitudes of both edges; without air they would be further apart.
    shift = bennett_deg(10.0 - 0.25) - bennett_deg(10.0 + 0.25)
    assert high / wide == pytest.approx(0.5 / (0.5 + shift), abs=0.001)
    assert high / wide < 0.995


def test_the_sky_darkens_with_the_sun_through_all_the_twilights():
    """Against what others give, in V mag per square arcsec: day 3 to 5 and sunset 7 (round
    figures, no source); 11.84 at -5 and 21.3 at -15 deg are Patat et al. (2006)."""
    altitudes = np.arange(-18.0, 90.1, 0.5)
    curve = [zenith_mag_arcsec2(float(a)) for a in altitudes]
    assert all(b < a for a, b in itertools.pairwise(curve))
    day, civil, nautical, astronomical = (zenith_mag_arcsec2(a) for a in (40.0, -3.0, -9.0, -15.0))
    assert 3.0 < day < 5.0 < civil < 12.0 < nautical < 18.0 < astronomical < 21.5
    assert zenith_mag_arcsec2(-5.0) == pytest.approx(11.84)
    assert math.isinf(zenith_mag_arcsec2(-20.0)), "the night is the scenario's own"


def test_the_clear_sky_is_brightest_round_the_sun_and_darkest_opposite():
    assert clear_sky_ratio(50.0, 0.0, 50.0) == pytest.approx(1.0)
    near, far = clear_sky_ratio(50.0, 50.0, 2.0), clear_sky_ratio(50.0, 40.0, 90.0)
    assert near > 4.0 > 1.2 > far
    assert daylight_mag_arcsec2(40.0, 40.0, 2.0) < daylight_mag_arcsec2(40.0, 50.0, 90.0)


def test_stars_are_seen_only_where_they_outshine_the_sky():
    """A star of magnitude 4 in a second at night, in nautical twilight, and by day as long as the
    sky allows: peak over the noise of one pixel."""
    renderer = Renderer(CameraTruth(), SkyTruth(), 1)
    star = np.array([[[640.0, 480.0]]])

    def significance(daylight: float, exposure_s: float) -> float:
        trails = Trails(px=star, mag=np.array([4.0], dtype=np.float32),
                        daylight_mag_arcsec2=daylight)  # fmt: skip
        picture = renderer.expected(trails, exposure_s)
        floor = float(np.median(picture))
        return float(picture[480, 640] - floor) / math.sqrt(floor + 9.0)

    assert significance(math.inf, 0.1) > 100.0
    assert significance(zenith_mag_arcsec2(-9.0), 0.1) > 30.0
    day = zenith_mag_arcsec2(40.0)
    longest = 10000.0 / float(renderer.expected(
        Trails(px=star, mag=np.array([30.0], dtype=np.float32), daylight_mag_arcsec2=day), 1.0
    ).mean())  # fmt: skip
    assert significance(day, longest) < 3.0


def test_light_grows_with_the_exposure_and_values_with_the_gain(jpl):
    tables = {"camera": {**QUIET, "solar_filter": True}}
    short, long = (Shot("sun", jpl, SUNNY[0][1], t, **tables) for t in (1e-4, 3e-4))
    dark = short.scenario.camera.bias_adu
    ratio = (np.median(long.pixels()[400:500, 600:700]) - dark) / (
        np.median(short.pixels()[400:500, 600:700]) - dark
    )
    assert ratio == pytest.approx(3.0, rel=0.02)
    louder = (np.median(short.pixels(2.0)[400:500, 600:700]) - dark) / (
        np.median(short.pixels()[400:500, 600:700]) - dark
    )
    assert louder == pytest.approx(2.0, rel=0.02)


def test_a_disc_keeps_its_light_and_its_middle_whatever_its_size_and_way():
    """Every size and both ways of drawing; a way of 6 px along the columns."""
    for radius_px in (0.3, 2.0, 3.9, 4.1, 20.0, 150.0):
        centre = np.array([[500.3 + step, 400.7] for step in np.linspace(0.0, 6.0, 13)])
        disc = Disc(centre_px=centre, across_px=np.eye(2) * radius_px, mag=0.0, surface=Surface.SUN)
        picture = np.zeros((960, 1280), dtype=np.float32)
        add_disc(picture, disc, [(1.1, 1.0)], 1e7)
        light = picture.astype(float)
        rows, columns = np.indices(light.shape)
        assert light.sum() == pytest.approx(1e7, rel=0.01)
        assert (light * columns).sum() / light.sum() == pytest.approx(503.3, abs=0.02)
        assert (light * rows).sum() / light.sum() == pytest.approx(400.7, abs=0.02)


def test_a_disc_on_the_edge_of_the_sensor_is_cut_there():
    whole, cut = (np.zeros((960, 1280), dtype=np.float32) for _ in range(2))
    for picture, column in ((whole, 640.0), (cut, 0.0)):
        disc = Disc(centre_px=np.array([[column, 480.0]]), across_px=np.eye(2) * 100.0,
                    mag=0.0, surface=Surface.SUN)  # fmt: skip
        add_disc(picture, disc, [(1.0, 1.0)], 1e7)
    # Within 0.0001 of the disc's own brightness, some 400 electrons.
    assert np.allclose(cut[:, :640], whole[:, 640:], rtol=1e-4, atol=0.04)
    assert cut[:, 640:].max() == 0.0


def test_without_daylight_there_is_only_the_night(jpl):
    shot = Shot("sun", jpl, SUNNY[0][1], 1e-3, sky={"daylight": False, "faintest_mag": 3.0})
    assert shot.trails.discs == ()
    assert shot.pixels().astype(float).mean() < 700.0
