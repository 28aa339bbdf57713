"""Latency: from a frame in memory to the correction, in live mode, 1.2 million pixels.

Reference in the same run: astrometry.net's ``solve-field`` on the same frames, with the same
knowledge of the scale.
"""

import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from polewright.adapters.solver.both import BothSolvers
from polewright.core.axis.correction import correct
from polewright.core.axis.live import axis_now
from polewright.core.axis.observing import observe
from polewright.core.axis.survey import solve_axis
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.decode import decode_picture
from polewright.core.imaging.finding import find_stars
from polewright.core.sky.observed import pole_enu
from polewright_drivers.sky_simulator.scenario import invent
from tests.simulated_observatory import SimulatedObservatory

AIM_MEDIAN_MS = 40.0
INDEX_FOLDER = Path("/usr/share/astrometry")
_SOLVE_FIELD_LIMIT_S = 60
_SCALE = 3.75e-3 / 120.0 / ARCSEC_RAD


def run(*, quick: bool = False) -> dict[str, Any]:
    """Measure, print, and return the figures."""
    sky = SimulatedObservatory(invent(11, "south"))
    solver = BothSolvers()
    hint = SolveHint(scale_arcsec_px=_SCALE)
    observed = []
    for hour_angle in (-40.0, -58.0, -76.0):  # ends in the Milky Way, where solve-field succeeds
        sky.go_to(hour_angle, -45.0)
        attitude = solver.solve_now(decode_picture(sky.picture(0.5)), hint)
        observed.append(observe(attitude, sky.place))
    survey = solve_axis(observed)
    target = pole_enu(sky.place, refracted=True)

    frames = [decode_picture(sky.picture(0.5)) for _ in range(5 if quick else 20)]
    x, y, z = (float(v) for v in attitude.boresight_icrs)
    live_hint = SolveHint(
        direction_icrs=(x, y, z),
        direction_sigma_deg=2.0,
        scale_arcsec_px=attitude.scale_arcsec_px,
        scale_sigma_fraction=0.002,
        mirrored=attitude.mirrored,
    )
    stages: dict[str, list[float]] = {"stars": [], "whole": [], "axis": []}
    for frame in frames * (2 if quick else 5):
        start = time.perf_counter()
        solved = solver.solve_now(frame, live_hint)
        between = time.perf_counter()
        live = axis_now(survey, observe(solved, sky.place))
        correct(live.axis_enu, live.covariance_rad2, target, tolerance_rad=60.0 * ARCSEC_RAD)
        end = time.perf_counter()
        stages["whole"].append(1e3 * (end - start))
        stages["axis"].append(1e3 * (end - between))
        start = time.perf_counter()
        find_stars(frame)
        stages["stars"].append(1e3 * (time.perf_counter() - start))
    figures: dict[str, Any] = {
        "frames": len(stages["whole"]),
        "median_ms": float(np.median(stages["whole"])),
        "p95_ms": float(np.percentile(stages["whole"], 95)),
        "star_finding_median_ms": float(np.median(stages["stars"])),
        "axis_median_ms": float(np.median(stages["axis"])),
    }
    reference = _solve_field_ms(sky, 1 if quick else 3)
    print(
        f"frame to correction: median {figures['median_ms']:.1f} ms, p95 {figures['p95_ms']:.1f} "
        f"ms ({figures['frames']} frames; of it star finding "
        f"{figures['star_finding_median_ms']:.1f}, axis {figures['axis_median_ms']:.1f})"
    )
    if reference is None:
        print("solve-field is not installed: no reference")
    else:
        figures["solve_field_median_ms"] = reference
        figures["ratio_to_solve_field"] = figures["median_ms"] / reference
        print(
            f"solve-field on the same frames: {reference:.0f} ms; "
            f"ours takes {figures['ratio_to_solve_field']:.4f} of that"
        )
    figures["missed"] = (
        []
        if figures["median_ms"] < AIM_MEDIAN_MS
        else [f"median {figures['median_ms']:.1f} ms, aim {AIM_MEDIAN_MS:.0f}"]
    )
    return figures


def _solve_field_ms(sky: SimulatedObservatory, count: int) -> float | None:
    program = shutil.which("solve-field")
    if program is None or not INDEX_FOLDER.is_dir():
        return None
    times = []
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder, "engine.cfg")
        config.write_text(
            f"cpulimit {_SOLVE_FIELD_LIMIT_S}\nadd_path {INDEX_FOLDER}\nautoindex\n", "utf-8"
        )
        for index in range(count):
            picture = Path(folder, f"frame{index}.fits")
            picture.write_bytes(sky.picture(0.5))
            start = time.perf_counter()
            subprocess.run(
                [program, "--config", str(config), "--overwrite", "--no-plots", "--dir", folder,
                 "--scale-units", "app", "--scale-low", f"{0.97 * _SCALE}",
                 "--scale-high", f"{1.03 * _SCALE}", str(picture)],
                capture_output=True, timeout=2 * _SOLVE_FIELD_LIMIT_S, check=True,
            )  # fmt: skip
            times.append(1e3 * (time.perf_counter() - start))
            if not picture.with_suffix(".solved").exists():
                return None
    return float(np.median(times))
