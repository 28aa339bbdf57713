"""Accuracy through pictures: rendered frames, our solver, and the simulator's own truth.

Errors of refraction, aberration, precession or of the matching would show here: the simulator
takes its sky from astropy's high-level coordinates, the daemon from ERFA.  The simulated mount
does not wander, so the surveys are made without the mechanical floor: the stars' noise alone.
"""

import asyncio
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from polewright.adapters.solver.embedded import EmbeddedSolver
from polewright.core.axis.observing import observe
from polewright.core.axis.survey import solve_axis
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD, enu_from_altaz, sky_tangents
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.decode import decode_picture
from polewright_drivers.sky_simulator.scenario import invent
from tests.simulated_observatory import SimulatedObservatory

LARGEST_RATIO = 1.3
LARGEST_BIAS_ARCSEC = 1.0
_FRAMES = 4
_SWEEP_DEG = 60.0


@dataclass(frozen=True)
class Train:
    """An optical train whose field holds stars of the catalogue's depth."""

    focal_mm: float
    width_px: int
    height_px: int
    pixel_um: float
    aperture_mm: float


TRAINS = {
    "24 mm": Train(24.0, 1280, 960, 3.75, 12.0),
    "200 mm": Train(200.0, 1600, 1200, 5.9, 50.0),
    "400 mm": Train(400.0, 2000, 1330, 11.8, 70.0),
    "1000 mm": Train(1000.0, 2000, 1330, 18.0, 150.0),
}


@dataclass(frozen=True)
class Job:
    train: str
    site: str
    seed: int


def survey(job: Job) -> tuple[float, float, float, float] | None:
    """Return error east and up, predicted sigma (arcsec) and normalised square; None: unsolved."""
    rng = np.random.default_rng([job.seed, 77])
    train = TRAINS[job.train]
    invented = invent(job.seed, job.site)
    camera = replace(
        invented.camera,
        focal_length_mm=train.focal_mm * (1.0 + rng.normal(0.0, 0.004)),
        told_focal_length_mm=train.focal_mm,
        width_px=train.width_px,
        height_px=train.height_px,
        pixel_size_um=train.pixel_um,
        aperture_mm=train.aperture_mm,
    )
    sky = SimulatedObservatory(replace(invented, camera=camera))
    side = -1.0 if job.site == "south" else 1.0
    declination = side * rng.uniform(35.0, 80.0)
    start = rng.choice([-1.0, 1.0]) * rng.uniform(5.0, 12.0)
    solver = _solver()
    hint = SolveHint(scale_arcsec_px=train.pixel_um * 1e-3 / train.focal_mm / ARCSEC_RAD)
    observed = []
    for part in np.linspace(0.0, 1.0, _FRAMES):
        sky.go_to(start + math.copysign(_SWEEP_DEG, start) * float(part), declination)
        try:
            attitude = solver.solve_now(decode_picture(sky.picture(2.0)), hint)
        except MeasurementError:
            continue
        observed.append(observe(attitude, sky.place))
    if len(observed) < 3:
        return None
    estimate = solve_axis(observed, mechanical_floor_arcsec=0.0)
    truth = sky.truth()
    axis = enu_from_altaz(math.radians(truth.axis_alt_deg), math.radians(truth.axis_az_deg))
    error = np.stack(sky_tangents(axis)) @ (estimate.axis_enu - axis)
    normalised = float(error @ np.linalg.solve(estimate.covariance_rad2, error)) / 2.0
    sigma = math.sqrt(float(np.trace(estimate.covariance_rad2)))
    return error[0] / ARCSEC_RAD, error[1] / ARCSEC_RAD, sigma / ARCSEC_RAD, normalised


_SOLVERS: list[EmbeddedSolver] = []


def _solver() -> EmbeddedSolver:
    if not _SOLVERS:
        _SOLVERS.append(EmbeddedSolver())
    return _SOLVERS[0]


def run(*, quick: bool = False) -> dict[str, Any]:
    """Measure, print, and return the figures."""
    count = 5 if quick else 50
    for train in TRAINS.values():  # pattern files are built once, before processes share them
        _ready(train)
    cells = [(name, site) for name in TRAINS for site in ("south", "north")]
    jobs = [Job(name, site, 1000 + seed) for name, site in cells for seed in range(count)]
    with ProcessPoolExecutor(max_workers=2) as pool:
        results = list(pool.map(survey, jobs, chunksize=5))
    print(
        f"{'train':>8} {'site':>6} {'surveys':>7} {'RMS':>7} {'sigma':>7} {'ratio':>6} "
        f"{'bias E':>7} {'bias up':>7} {'norm.':>6}"
    )
    figures: dict[str, Any] = {"surveys_per_cell": count}
    missed = []
    for name, site in cells:
        solved = np.array(
            [
                result
                for job, result in zip(jobs, results, strict=True)
                if (job.train, job.site) == (name, site) and result is not None
            ]
        )
        if len(solved) < 3:
            missed.append(f"{name} {site}: only {len(solved)} surveys solved")
            continue
        rms = float(np.sqrt(np.mean(np.sum(solved[:, :2] ** 2, axis=1))))
        sigma = float(np.sqrt(np.mean(solved[:, 2] ** 2)))
        bias = solved[:, :2].mean(axis=0)
        bias_sigma = solved[:, :2].std(axis=0) / math.sqrt(len(solved))
        figures[f"{name} {site}"] = {
            "solved": len(solved),
            "rms_arcsec": rms,
            "predicted_arcsec": sigma,
            "ratio": rms / sigma,
            "bias_arcsec": bias.tolist(),
            "normalised": float(np.mean(solved[:, 3])),
        }
        print(
            f"{name:>8} {site:>6} {len(solved):7d} {rms:7.2f} {sigma:7.2f} {rms / sigma:6.2f} "
            f"{bias[0]:+7.2f} {bias[1]:+7.2f} {np.mean(solved[:, 3]):6.2f}"
        )
        if rms / sigma > LARGEST_RATIO + (1.0 if quick else 0.0):
            missed.append(f"{name} {site}: RMS is {rms / sigma:.2f} x the predicted sigma")
        # A bias counts where it is more than the scatter of the mean can make.
        for way, value, uncertainty in zip(("east", "up"), bias, bias_sigma, strict=True):
            if abs(value) - 2.0 * uncertainty > LARGEST_BIAS_ARCSEC:
                missed.append(f"{name} {site}: bias of {value:+.2f} arcsec {way}")
    figures["missed"] = missed
    return figures


def _ready(train: Train) -> None:
    """Build the pattern file of a train where the cache lacks it."""
    hint = SolveHint(scale_arcsec_px=train.pixel_um * 1e-3 / train.focal_mm / ARCSEC_RAD)
    asyncio.run(EmbeddedSolver().prepare(train.width_px, train.height_px, hint))
