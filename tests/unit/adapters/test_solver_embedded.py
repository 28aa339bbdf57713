"""The embedded solver on rendered skies: right, or an honest refusal, never wrong."""

import asyncio
import contextlib
import itertools
from dataclasses import replace
from time import monotonic

import numpy as np
import pytest

from polewright.adapters.solver.catalogue import carried_catalogue
from polewright.adapters.solver.database import DatabaseCache, FieldRange
from polewright.adapters.solver.embedded import EmbeddedSolver
from polewright.adapters.solver.solving import (
    MINIMUM_FOUND,
    field_from_scale,
    scale_from_field,
    solve_frame,
    solve_stars,
)
from polewright.core.errors import MeasurementError
from polewright.core.geometry.rotations import vector_from_rotation
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import StarList
from tests.unit.core.imaging.rendering import CATALOGUE_EPOCH, Sensor, attitude, expose, sky

SCALE = 30.0
WIDTH, HEIGHT = 960, 720
TOLD = {"mid_exposure": CATALOGUE_EPOCH}
HINT = SolveHint(scale_arcsec_px=SCALE)


@pytest.fixture(scope="module")
def cache_directory(tmp_path_factory):
    directory = tmp_path_factory.mktemp("patterns")
    DatabaseCache(directory).build(field_from_scale(SCALE, WIDTH))
    return directory


@pytest.fixture(scope="module")
def solver(cache_directory):
    return EmbeddedSolver(cache_directory=cache_directory)


@pytest.fixture(scope="module")
def database(cache_directory):
    return DatabaseCache(cache_directory).load(field_from_scale(SCALE, WIDTH))[1]


def rendered(truth, rng, *, mirrored=False, bend=0.0, scale=SCALE, **sensor_options):
    sensor = Sensor(width_px=WIDTH, height_px=HEIGHT, tell=TOLD, **sensor_options)
    x, y, flux, _ = sky(
        truth, sensor, scale, mirrored=mirrored, bend=bend, faintest=8.5,
        zero_magnitude_flux_adu=3e7,
    )  # fmt: skip
    return expose(sensor, x, y, flux, rng)


def random_attitude(rng):
    return attitude(
        rng.uniform(0, 360), np.rad2deg(np.arcsin(rng.uniform(-1, 1))), rng.uniform(0, 360)
    )


def error_sigmas(answer, truth):
    error = vector_from_rotation(answer.camera_from_icrs @ truth.T)
    return float(np.sqrt(error @ np.linalg.solve(answer.covariance_camera_rad2, error)))


@pytest.mark.parametrize("mirrored", [False, True])
def test_random_skies_are_solved_to_their_sigma(solver, mirrored):
    """Hot pixels, distortion, any roll, both poles; beyond 5.4 sigma lies 1e-6 of chance."""
    rng = np.random.default_rng(int(mirrored))
    normalised = []
    for truth in [
        attitude(30.0, 89.7, 12.0),
        attitude(190.0, -89.4, 250.0),
        attitude(192.9, 27.1, 80.0),  # the galaxy's pole: few stars
        *(random_attitude(rng) for _ in range(9)),
    ]:
        frame = rendered(
            truth, rng, mirrored=mirrored, hot_pixels=20, bend=float(rng.uniform(-0.002, 0.002))
        )
        hint = SolveHint(scale_arcsec_px=SCALE * float(rng.uniform(0.975, 1.025)))
        answer = solver.solve_now(frame, hint)
        assert answer.mirrored == mirrored
        assert answer.scale_arcsec_px == pytest.approx(SCALE, rel=2e-4)
        assert answer.matched >= 20
        normalised.append(error_sigmas(answer, truth))
    assert max(normalised) < 5.4
    assert 0.6 < np.mean(np.square(normalised)) / 3.0 < 1.5


def test_the_attitude_carries_what_the_axis_needs(solver):
    """star_tangent and star_icrs are tied by the camera: ideal offsets in px from the centre."""
    rng = np.random.default_rng(3)
    truth = random_attitude(rng)
    for mirrored in (False, True):
        answer = solver.solve_now(rendered(truth, rng, mirrored=mirrored, bend=0.002), HINT)
        camera = answer.star_icrs @ answer.camera_from_icrs.T
        ideal = camera[:, 1:] / camera[:, :1] / np.deg2rad(answer.scale_arcsec_px / 3600.0)
        assert np.abs(ideal - answer.star_tangent).max() < 1.0
        assert np.sqrt(np.square(ideal - answer.star_tangent).sum(axis=1).mean()) < 0.15
        parity = -1.0 if mirrored else 1.0
        centred = answer.star_px - [0.5 * (WIDTH - 1), 0.5 * (HEIGHT - 1)]
        assert np.abs(centred * [1.0, parity] - answer.star_tangent).max() < 2.0
        assert answer.mid_exposure == CATALOGUE_EPOCH
        assert answer.star_sigma_px.shape == (answer.matched,)
        assert answer.rms_arcsec < 0.15 * SCALE


def test_a_mosaic_is_solved(solver):
    rng = np.random.default_rng(4)
    truth = random_attitude(rng)
    frame = rendered(truth, rng, bayer_pattern="RGGB", fwhm_px=4.0)
    assert error_sigmas(solver.solve_now(frame, HINT), truth) < 5.4


def test_a_field_of_view_is_enough_for_an_unknown_camera(solver):
    rng = np.random.default_rng(5)
    truth = random_attitude(rng)
    frame = rendered(truth, rng)
    answer = solver.solve_now(frame, field_deg=field_from_scale(SCALE, WIDTH) * 1.01)
    assert error_sigmas(answer, truth) < 5.4
    optics = replace(frame, pixel_size_um=3.75, focal_length_mm=3.75e-3 / np.deg2rad(SCALE / 3600))
    assert error_sigmas(solver.solve_now(optics), truth) < 5.4


def test_scale_and_field_are_inverse():
    assert field_from_scale(scale_from_field(11.4, 1024), 1024) == pytest.approx(11.4)
    assert scale_from_field(2.0, 1000) == pytest.approx(7.2, rel=1e-3)


def test_without_any_scale_the_person_is_told(solver):
    with pytest.raises(MeasurementError) as refusal:
        solver.solve_now(rendered(attitude(0, 0, 0), np.random.default_rng(6)))
    assert refusal.value.code == "no_scale"
    assert "focal length" in refusal.value.remedy


@pytest.mark.parametrize("off_deg", [0.0, 4.0, 120.0])
def test_a_direction_hint_helps_and_never_hinders(solver, off_deg):
    """A mount that believes something wrong must not stop the sky from being seen."""
    rng = np.random.default_rng(7)
    frame = rendered(attitude(100.0, 20.0, 5.0), rng)
    believed = attitude(100.0, 20.0 - off_deg, 0.0)[0]
    hint = replace(HINT, direction_icrs=tuple(believed), direction_sigma_deg=2.0)
    assert error_sigmas(solver.solve_now(frame, hint), attitude(100.0, 20.0, 5.0)) < 5.4


def test_proper_motion_is_applied_to_the_frames_own_year(solver):
    rng = np.random.default_rng(8)
    frame = rendered(attitude(316.75, 38.76, 0.0), rng)  # 61 Cygni moves 5.3 arcsec a year
    later = replace(frame, mid_exposure=CATALOGUE_EPOCH.replace(year=2026))
    then = solver.solve_now(frame, HINT).star_icrs
    now = solver.solve_now(later, HINT).star_icrs
    moved = np.linalg.norm(now[:, None] - then, axis=2).min(axis=1) / np.deg2rad(1 / 3600)
    assert 45.0 < moved.max() < 60.0 or moved.max() < 5.0  # found, or left out as a misfit
    assert 0.05 < np.median(moved) < 1.0


@pytest.mark.parametrize("stars", [0, 2, 5])
def test_too_few_stars_say_how_many_were_seen(solver, stars):
    rng = np.random.default_rng(9)
    sensor = Sensor(width_px=WIDTH, height_px=HEIGHT, tell=TOLD)
    x, y = 100.0 + 150.0 * np.arange(stars), 90.0 + 110.0 * np.arange(stars)
    with pytest.raises(MeasurementError) as refusal:
        solver.solve_now(expose(sensor, x, y, np.full(stars, 1e5), rng), HINT)
    assert refusal.value.code == "too_few_stars"
    assert f"only {stars} stars" in refusal.value.text
    assert "cap" in refusal.value.remedy
    assert MINIMUM_FOUND > 5


@pytest.mark.parametrize("value", [0, 255])
def test_black_and_white_frames_are_refused(solver, value):
    frame = Frame(pixels=np.full((HEIGHT, WIDTH), value, dtype=np.uint8), saturation=255.0)
    with pytest.raises(MeasurementError) as refusal:
        solver.solve_now(frame, HINT)
    assert refusal.value.code == "too_few_stars"


def random_stars(rng, count):
    return StarList(
        x_px=rng.uniform(0, WIDTH - 1, count),
        y_px=rng.uniform(0, HEIGHT - 1, count),
        flux=np.sort(rng.pareto(1.0, count))[::-1],
        sigma_px=np.full(count, 0.05),
        fwhm_px=3.0,
        saturated_fraction=0.0,
        background_adu=0.0,
        noise_adu=1.0,
        width_px=WIDTH,
        height_px=HEIGHT,
    )


class Lenient:
    """A pattern library that offers whatever it has, right or not."""

    def __init__(self, database):
        self._database = database
        self.offers = 0

    def solve_from_centroids(self, *arguments, **options):
        answer = self._database.solve_from_centroids(*arguments, match_threshold=1e9, **options)
        self.offers += bool(answer)
        return answer


def test_random_points_are_never_taken_for_stars(database):
    """Even when the pattern library accepts nearly anything, the proof refuses all of it."""
    rng = np.random.default_rng(10)
    lenient = Lenient(database)
    frame = Frame(pixels=np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    for count in itertools.chain.from_iterable([(8, 15, 40, 120)] * 25):
        with pytest.raises(MeasurementError) as refusal:
            solve_stars(
                random_stars(rng, count), frame, HINT,
                database=lenient, catalogue=carried_catalogue(),
            )  # fmt: skip
        assert refusal.value.code == "no_solution"
        assert str(count) in refusal.value.text
    assert lenient.offers > 10


class Offering:
    """A pattern library that always offers one fixed answer."""

    def __init__(self, answer):
        self._answer = answer

    def solve_from_centroids(self, *_arguments, **_options):
        return self._answer


def test_a_wrong_offer_for_a_real_picture_is_refused(database):
    """The pattern library's right answer for another picture is no answer for this one."""
    rng = np.random.default_rng(11)
    frames = [rendered(random_attitude(rng), rng) for _ in range(2)]
    offers = []

    class Recording:
        def solve_from_centroids(self, *arguments, **options):
            offers.append(database.solve_from_centroids(*arguments, **options))
            return offers[-1]

    for frame in frames:
        solve_frame(frame, HINT, database=Recording(), catalogue=carried_catalogue())
    assert len(offers) == 2
    for frame, offer in zip(frames, reversed(offers), strict=True):
        with pytest.raises(MeasurementError) as refusal:
            solve_frame(frame, HINT, database=Offering(offer), catalogue=carried_catalogue())
        assert refusal.value.code == "no_solution"


def test_a_wrong_scale_gives_no_solution_and_names_it(solver):
    rng = np.random.default_rng(12)
    frame = rendered(random_attitude(rng), rng, scale=SCALE * 0.7)
    with pytest.raises(MeasurementError) as refusal:
        solver.solve_now(frame, HINT)
    assert refusal.value.code == "no_solution"
    assert "30.00 arcsec per pixel" in refusal.value.text


async def test_prepare_builds_once_with_progress_and_a_free_loop(tmp_path):
    gaps, told = [], []

    async def heartbeat():
        while True:
            before = monotonic()
            await asyncio.sleep(0.005)
            gaps.append(monotonic() - before)

    beating = asyncio.ensure_future(heartbeat())
    try:
        solver = EmbeddedSolver(cache_directory=tmp_path)
        await solver.prepare(WIDTH, HEIGHT, HINT, told.append)
        frame = rendered(attitude(50.0, 10.0, 0.0), np.random.default_rng(13))
        gaps.clear()
        answer = await solver.solve(frame, HINT)
    finally:
        beating.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await beating
    assert answer.matched > 20
    assert told == sorted(told)
    assert told[-1] == 1.0
    # A solve on the loop would leave one gap, as long as itself; single gaps come from a loaded
    # machine, too.
    assert len(gaps) > 3
    assert np.median(gaps) < 0.05
    (built,) = tmp_path.iterdir()
    stamp = built.stat().st_mtime_ns
    again = EmbeddedSolver(cache_directory=tmp_path)
    await again.prepare(WIDTH, HEIGHT, HINT)
    assert built.stat().st_mtime_ns == stamp


async def test_a_damaged_database_is_built_again(tmp_path):
    path = DatabaseCache(tmp_path).path(FieldRange.around(field_from_scale(SCALE, WIDTH)))
    path.write_bytes(b"half a file")
    await EmbeddedSolver(cache_directory=tmp_path).prepare(WIDTH, HEIGHT, HINT)
    assert path.stat().st_size > 100_000


async def test_cancelling_a_build_stops_it_and_leaves_no_database(tmp_path):
    narrow = SolveHint(scale_arcsec_px=scale_from_field(2.0, WIDTH))  # a long build
    building = asyncio.ensure_future(
        EmbeddedSolver(cache_directory=tmp_path).prepare(WIDTH, HEIGHT, narrow)
    )
    await asyncio.sleep(0.6)
    building.cancel()
    began = monotonic()
    with pytest.raises(asyncio.CancelledError):
        await building
    assert monotonic() - began < 2.0
    assert not list(tmp_path.glob("field-*"))


async def test_a_cache_that_cannot_be_written_is_told_in_one_line(tmp_path):
    blocked = tmp_path / "a file, not a folder"
    blocked.touch()
    with pytest.raises(MeasurementError) as refusal:
        await EmbeddedSolver(cache_directory=blocked).prepare(WIDTH, HEIGHT, HINT)
    assert refusal.value.code == "no_patterns"
    assert "\n" not in str(refusal.value)


async def test_prepare_without_a_scale_is_refused(tmp_path):
    with pytest.raises(MeasurementError) as refusal:
        await EmbeddedSolver(cache_directory=tmp_path).prepare(WIDTH, HEIGHT, SolveHint())
    assert refusal.value.code == "no_scale"
