"""Solving: rate by width of field, wrong answers, time per stage; solve-field on the same frames.

Skies are those of :mod:`tests.bench.solve_skies`: 1,000 at seven widths, a fifth toward each of
the sparse sky around the galactic poles and the two celestial poles, half of them mirrored, a
quarter Bayer mosaics, half bent by 0.3 % in the corner, four of ten with the mount's belief of
the direction (2 deg), the others lost in space; the scale is told 1 % off (one sigma).

A wrong answer is one further from the truth than six of its own sigmas *and* half a pixel
(centre, or roll seen at the edge), or, where the picture has no sky, any answer at all.

5,000 pictures that are no good skies: noise with hot pixels, bright blank sky, clouds that dim by
9 magnitudes, trails of 5 to 80 pixels, defocus of 12 to 40 pixels, false stars, roofs and lamps.
They have 640 x 480 pixels, for speed.  Of clouds, trails and defocus some can be solved: then
they must be right.

solve-field gets the same frames, scale (5 % either way) and belief of the direction, no mosaics
(it does not bin them for their colours), its 2 x 2 binning (without it, it solves 6 of 21), and
30 s.
"""

import asyncio
import math
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from polewright.adapters.solver.both import BothSolvers
from polewright.adapters.solver.embedded import EmbeddedSolver
from polewright.adapters.solver.index_files import FOLDERS, what_is_missing
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import vector_from_rotation
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.finding import find_stars
from polewright_drivers.sky_simulator import fits
from tests.bench.solve_skies import Picture, View, draw

FIELDS_DEG = (0.7, 1.2, 2.0, 3.5, 6.0, 10.0, 15.0)
AIM_RATE = 0.99
AIM_FROM_DEG = 1.2
AIM_NARROW_RATE = 0.85
JUNK_KINDS = ("noise", "star-free", "clouds", "trails", "defocused", "false stars", "roofs")
JUNK_FIELDS_DEG = (0.7, 1.2, 2.3, 8.0)
SHOWS_SKY = ("sky", "clouds", "trails", "defocused")
PROCESSES = 2
_PART = 50
_WRONG_SIGMAS = 6.0
_WRONG_PX = 0.5
_SOLVE_FIELD_LIMIT_S = 30


@dataclass(frozen=True)
class Outcome:
    view: View
    solved: bool
    code: str
    solver: str
    wrong: bool
    error_px: float
    sigmas: float
    carried_stars: int
    found: int
    rms_of_fwhm: float
    stars_ms: float
    whole_ms: float


def run(*, quick: bool = False) -> dict[str, Any]:
    """Measure, print, and return the figures."""
    if what_is_missing():
        raise RuntimeError(f"this benchmark needs {what_is_missing()}")
    skies = _sky_views(63 if quick else 1001)
    junk = _junk_views(210 if quick else 5012)
    for field_deg in sorted({view.field_deg for view in skies + junk if view.field_deg > 1.5}):
        _prepare(field_deg)
    sky_outcomes = _solve_all(skies)
    junk_outcomes = _solve_all(junk)
    figures: dict[str, Any] = {
        "fields": _sky_table(sky_outcomes),
        "junk": _junk_table(junk_outcomes),
        "reference": _against_solve_field(skies, 21),
    }
    wrong = [outcome for outcome in sky_outcomes + junk_outcomes if outcome.wrong]
    for outcome in wrong:
        print(f"WRONG {outcome}")
    figures["wrong"] = [asdict(outcome) for outcome in wrong]
    figures["missed"] = _missed(figures)
    return figures


def _sky_views(count: int) -> list[View]:
    rng = np.random.default_rng(2026)
    places = ["anywhere"] * 3 + ["sparse", "north pole", "south pole"]
    chances = [0.2, 0.2, 0.2, 0.2, 0.1, 0.1]
    return [
        View(
            seed=100_000 + index,
            field_deg=field_deg,
            kind="sky",
            where=str(rng.choice(places, p=chances)),
            mirrored=bool(rng.random() < 0.5),
            mosaic=bool(rng.random() < 0.25),
            distortion=float(rng.choice([0.0, 0.0, 0.003, -0.003])),
            hinted=bool(rng.random() < 0.4),
        )
        for field_deg in FIELDS_DEG
        for index in range(round(1000 * field_deg), round(1000 * field_deg) + count // 7)
    ]


def _junk_views(count: int) -> list[View]:
    rng = np.random.default_rng(2027)
    each = count // (len(JUNK_KINDS) * len(JUNK_FIELDS_DEG))
    return [
        View(
            seed=500_000 + 10_000 * k + round(1000 * field_deg) + index,
            field_deg=field_deg,
            kind=kind,
            width_px=640,
            height_px=480,
            mirrored=bool(rng.random() < 0.5),
            mosaic=bool(rng.random() < 0.25),
            hinted=bool(rng.random() < 0.4),
        )
        for field_deg in JUNK_FIELDS_DEG
        for k, kind in enumerate(JUNK_KINDS)
        for index in range(each)
    ]


def _prepare(field_deg: float) -> None:
    """Build the patterns of a width before anything is timed."""
    view = View(seed=1, field_deg=field_deg, kind="noise")
    hint = SolveHint(scale_arcsec_px=view.scale_arcsec_px)
    asyncio.run(EmbeddedSolver().prepare(view.width_px, view.height_px, hint))


def _solve_all(views: list[View]) -> list[Outcome]:
    """Solve every view, a part at a time; parts of one width follow each other."""
    by_width: dict[float, list[View]] = defaultdict(list)
    for view in views:
        by_width[view.field_deg].append(view)
    parts = [
        some[first : first + _PART]
        for some in by_width.values()
        for first in range(0, len(some), _PART)
    ]
    outcomes: list[Outcome] = []
    begun = time.monotonic()
    with ProcessPoolExecutor(PROCESSES) as pool:
        for part in pool.map(_solve_some, parts):
            outcomes += part
            print(
                f"{len(outcomes)} of {len(views)} frames in {time.monotonic() - begun:.0f} s",
                file=sys.stderr,
                flush=True,
            )
    return outcomes


def _solve_some(views: list[View]) -> list[Outcome]:
    solver = _solver(views[0].field_deg)
    return [_outcome(draw(view), solver) for view in views]


@lru_cache(maxsize=1)
def _solver(field_deg: float) -> BothSolvers:
    """Keep the solvers of one width: their patterns are large."""
    del field_deg
    return BothSolvers()


def _outcome(picture: Picture, solver: BothSolvers) -> Outcome:
    start = time.perf_counter()
    stars = find_stars(picture.frame)
    between = time.perf_counter()
    code, name, wrong = "", "", False
    error_px = sigmas = rms_of_fwhm = math.nan
    try:
        attitude = solver.solve_now(picture.frame, picture.hint)
    except MeasurementError as refusal:
        code = refusal.code
    else:
        name = attitude.solver
        error = vector_from_rotation(attitude.camera_from_icrs @ picture.camera_from_icrs.T)
        sigmas = float(np.sqrt(error @ np.linalg.solve(attitude.covariance_camera_rad2, error)))
        rms_of_fwhm = attitude.rms_arcsec / attitude.scale_arcsec_px / stars.fwhm_px
        edge = 0.5 * picture.view.width_px
        centre_px = math.hypot(error[1], error[2]) / ARCSEC_RAD / picture.view.scale_arcsec_px
        error_px = max(centre_px, abs(float(error[0])) * edge)
        wrong = picture.view.kind not in SHOWS_SKY or bool(
            sigmas > _WRONG_SIGMAS and error_px > _WRONG_PX
        )
    return Outcome(
        view=picture.view,
        solved=not code,
        code=code,
        solver=name,
        wrong=wrong,
        error_px=error_px,
        sigmas=sigmas,
        carried_stars=picture.carried_stars,
        found=len(stars),
        rms_of_fwhm=rms_of_fwhm,
        stars_ms=1e3 * (between - start),
        whole_ms=1e3 * (time.perf_counter() - between),
    )


def _sky_table(outcomes: list[Outcome]) -> list[dict[str, Any]]:
    print(
        "field deg  frames   rate  embedded  narrow  wrong  median error px  chi2/3"
        "  stars ms  whole ms (p95)"
    )
    rows = []
    for field_deg in FIELDS_DEG:
        here = [o for o in outcomes if o.view.field_deg == field_deg]
        solved = [o for o in here if o.solved]
        by = Counter(o.solver for o in solved)
        squares = [min(o.sigmas**2, _WRONG_SIGMAS**2) for o in solved]
        whole = [o.whole_ms for o in solved] or [math.nan]
        row: dict[str, Any] = {
            "field_deg": field_deg,
            "frames": len(here),
            "rate": len(solved) / len(here),
            "embedded": by["embedded"],
            "narrow": by["narrow"],
            "wrong": sum(o.wrong for o in here),
            "median_error_px": float(np.median([o.error_px for o in solved] or [math.nan])),
            "normalised_error_squared": float(np.mean(squares or [math.nan])) / 3.0,
            "stars_median_ms": float(np.median([o.stars_ms for o in here])),
            "whole_median_ms": float(np.median(whole)),
            "whole_p95_ms": float(np.percentile(whole, 95)),
            "rate_by_place": {
                place: [sum(o.solved for o in some), len(some)]
                for place in ("anywhere", "sparse", "north pole", "south pole")
                if (some := [o for o in here if o.view.where == place])
            },
            "unsolved": [
                f"{o.view.where}, {'mosaic, ' if o.view.mosaic else ''}"
                f"{'hinted, ' if o.view.hinted else ''}{o.carried_stars} carried stars, "
                f"{o.found} found: {o.code}"
                for o in here
                if not o.solved
            ],
        }
        rows.append(row)
        print(
            f"{field_deg:9.1f}  {row['frames']:6d}  {100 * row['rate']:4.1f} %"
            f"  {row['embedded']:8d}  {row['narrow']:6d}  {row['wrong']:5d}"
            f"  {row['median_error_px']:15.3f}"
            f"  {row['normalised_error_squared']:6.2f}  {row['stars_median_ms']:8.1f}"
            f"  {row['whole_median_ms']:8.1f} ({row['whole_p95_ms']:.0f})"
        )
        for place, (good, all_) in row["rate_by_place"].items():
            print(f"{'':11}{place}: {good} of {all_}")
    return rows


def _junk_table(outcomes: list[Outcome]) -> list[dict[str, Any]]:
    print("kind          frames  answered  wrong  median ms  p95 ms")
    rows = []
    for kind in JUNK_KINDS:
        here = [o for o in outcomes if o.view.kind == kind]
        times = [o.whole_ms for o in here]
        row = {
            "kind": kind,
            "frames": len(here),
            "answered": sum(o.solved for o in here),
            "wrong": sum(o.wrong for o in here),
            "median_ms": float(np.median(times)),
            "p95_ms": float(np.percentile(times, 95)),
        }
        rows.append(row)
        print(
            f"{kind:12}  {row['frames']:6d}  {row['answered']:8d}  {row['wrong']:5d}"
            f"  {row['median_ms']:9.1f}  {row['p95_ms']:6.0f}"
        )
    return rows


def _against_solve_field(skies: list[View], count: int) -> dict[str, Any]:
    """Solve the same frames with solve-field, one at a time, and with both solvers."""
    program = shutil.which("solve-field")
    folder = next((one for one in FOLDERS if any(one.glob("index-tycho2-*.fits"))), None)
    if program is None or folder is None:
        print("solve-field is not installed: no reference")
        return {}
    plain = [view for view in skies if not view.mosaic]
    chosen = [plain[i] for i in np.linspace(0, len(plain) - 1, count).round().astype(int)]
    solver = BothSolvers()
    ours, theirs, rows = [], [], []
    with tempfile.TemporaryDirectory() as place:
        config = Path(place, "engine.cfg")
        config.write_text(
            f"cpulimit {_SOLVE_FIELD_LIMIT_S}\nadd_path {folder}\nautoindex\n", "utf-8"
        )
        for view in chosen:
            picture = draw(view)
            _outcome(picture, solver)  # loads the patterns of the width
            outcome = _outcome(picture, solver)
            file = Path(place, f"frame{view.seed}.fits")
            file.write_bytes(fits.encode(picture.frame.pixels.astype(np.uint16), {}))
            command = [
                program, "--config", str(config), "--overwrite", "--no-plots", "--dir", place,
                "--downsample", "2",
                "--scale-units", "app", "--scale-low", f"{0.95 * view.scale_arcsec_px}",
                "--scale-high", f"{1.05 * view.scale_arcsec_px}", str(file),
                *_position(picture),
            ]  # fmt: skip
            start = time.perf_counter()
            _run_bounded(command)
            spent_ms = 1e3 * (time.perf_counter() - start)
            solved = file.with_suffix(".solved").exists()
            file.unlink()
            rows.append((view.field_deg, outcome.solved, solved))
            if outcome.solved and solved:
                ours.append(outcome.whole_ms)
                theirs.append(spent_ms)
    result = {
        "frames": len(rows),
        "ours_solved": sum(row[1] for row in rows),
        "solve_field_solved": sum(row[2] for row in rows),
        "ours_median_ms": float(np.median(ours or [math.nan])),
        "solve_field_median_ms": float(np.median(theirs or [math.nan])),
        "median_time_ratio": float(np.median(np.divide(ours, theirs))) if ours else math.nan,
        "by_frame": rows,
    }
    print(
        f"{result['frames']} of the frames through solve-field: it solves "
        f"{result['solve_field_solved']} in {result['solve_field_median_ms']:.0f} ms, we "
        f"{result['ours_solved']} in {result['ours_median_ms']:.1f} ms (medians; ours takes "
        f"{result['median_time_ratio']:.3f} of its time)"
    )
    return result


def _position(picture: Picture) -> list[str]:
    """Return what the solvers are told of the direction, as options of solve-field."""
    if picture.hint.direction_icrs is None:
        return []
    x, y, z = picture.hint.direction_icrs
    right_ascension = math.degrees(math.atan2(y, x)) % 360.0
    declination = math.degrees(math.asin(z))
    return ["--ra", f"{right_ascension}", "--dec", f"{declination}", "--radius", "15"]


def _run_bounded(command: list[str]) -> None:
    """Run a program that starts others, and end them all when the time is up."""
    child = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        child.wait(_SOLVE_FIELD_LIMIT_S)
    except subprocess.TimeoutExpired:
        os.killpg(child.pid, signal.SIGKILL)  # its own group: nothing else is in it
        child.wait()


def _missed(figures: dict[str, Any]) -> list[str]:
    missed = []
    for row in figures["fields"]:
        aim = AIM_RATE if row["field_deg"] >= AIM_FROM_DEG else AIM_NARROW_RATE
        if row["rate"] < aim:
            missed.append(
                f"{100 * row['rate']:.1f} % solved at {row['field_deg']} deg, aim {100 * aim:.0f}"
            )
    if figures["wrong"]:
        missed.append(f"{len(figures['wrong'])} wrong answers, aim 0")
    return missed
