"""Live adjustment against its bound: a survey, one frame, hands turn both bolts, frames after.

RMS of the axis over the Cramer-Rao bound (prior knowledge counted as data); the same for the
axis by the frame's full attitude alone; normalised error squared; how still the displayed value
is with still hands; how far it lags behind moving ones.
"""

from typing import Any

import numpy as np

from polewright.core.axis.live import axis_now
from polewright.core.axis.live_filter import advance, begin
from polewright.core.axis.live_pose import LiveModel
from polewright.core.axis.survey import solve_axis
from polewright.core.geometry.directions import ARCSEC_RAD, sky_tangents
from tests.bench.live_world import World

LATITUDES_DEG = (-50.0, -35.0, -20.0, 20.0, 35.0, 50.0)
DECLINATIONS_DEG = (89.0, 80.0, 45.0, 0.0)
ROLLS_ARCSEC = (10.0, 20.0, 60.0)
FRAMES_AFTER = (1, 8)
GEOMETRIES = 20
AIM_RATIO = 1.05
AIM_NORMALISED = (0.9, 1.1)

_SHARP = LiveModel(
    mechanical_floor_arcsec=0.0, jitter_arcsec=0.0, jitter_memory_frames=float("inf")
)


def measure_cell(
    latitude_deg: float, declination_deg: float, roll_arcsec: float, model: LiveModel,
    *, trials: int, geometries: int, seed: int, **of_world: Any,
) -> dict[str, Any]:  # fmt: skip
    """Return the figures of one cell, arcsec."""
    rng = np.random.default_rng(seed)
    worlds = [
        World.invent(rng, latitude_deg, declination_deg, roll_arcsec, model, **of_world)
        for _ in range(geometries)
    ]
    after = [count for count in FRAMES_AFTER if count <= worlds[0].after]
    bounds = {
        count: np.array([np.trace(world.bound_rad2(count)) for world in worlds]) for count in after
    }
    squares: dict[int, list[float]] = {count: [] for count in after}
    full: list[float] = []
    normalised: dict[int, list[float]] = {count: [] for count in after}
    for trial in range(trials):
        world = worlds[trial % geometries]
        attitudes, axis = world.play_out(world.true_unknowns(rng))
        frames = world.observe(rng, attitudes)
        # The bound of the survey is its own; jitter and floor are in its weights together.
        survey = solve_axis(
            frames[:3],
            mechanical_floor_arcsec=float(
                np.hypot(model.mechanical_floor_arcsec, model.jitter_arcsec)
            ),
        )
        tangents = np.stack(sky_tangents(axis))
        state = begin(survey, model)
        for index, frame in enumerate(frames[3:]):
            state = advance(state, frame, tracking=True)
            if index in after:
                error = tangents @ (state.axis.axis_enu - axis)
                covariance = state.axis.covariance_rad2
                squares[index].append(float(error @ error) / bounds[index][trial % geometries])
                normalised[index].append(float(error @ np.linalg.solve(covariance, error)) / 2.0)
            if index == 1:
                alone = tangents @ (axis_now(survey, frame).axis_enu - axis)
                full.append(float(alone @ alone) / bounds[1][trial % geometries])
    return {
        "latitude_deg": latitude_deg,
        "declination_deg": declination_deg,
        "roll_arcsec": roll_arcsec,
        "bound_arcsec": {c: float(np.sqrt(bounds[c].mean())) / ARCSEC_RAD for c in after},
        "ratio": {c: float(np.sqrt(np.mean(squares[c]))) for c in after},
        "full_attitude_ratio": float(np.sqrt(np.mean(full))),
        "normalised": {c: float(np.mean(normalised[c])) for c in after},
    }


def show(cell: dict[str, Any]) -> None:
    """Print one cell."""
    ratios = "  ".join(
        f"K={c}: {cell['bound_arcsec'][c]:6.2f} {cell['ratio'][c]:5.3f} {cell['normalised'][c]:5.2f}"
        for c in cell["ratio"]
    )
    print(
        f"{cell['latitude_deg']:+5.0f} {cell['declination_deg']:5.0f} {cell['roll_arcsec']:5.0f}"
        f"   {ratios}   full {cell['full_attitude_ratio']:5.2f}",
        flush=True,
    )
