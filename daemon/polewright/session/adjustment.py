"""Live adjustment: frame after frame, tell what the two bolts must still undo."""

import logging
from collections.abc import Callable
from dataclasses import dataclass

from polewright.core.axis.correction import Correction, Verdict, correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.live import axis_now
from polewright.core.errors import MeasurementError
from polewright.core.geometry.rotations import Vector
from polewright.ports import Clock
from polewright.session.measuring import FrameMeasurer

_log = logging.getLogger(__name__)

# A correction older than this is no longer shown as live (s): hands have moved on by then.
VALIDITY_S = 6.0
# 'Good enough' has to hold for this many frames in a row before an adjustment ends by itself.
STEADY_FRAMES = 3
# After a frame without solution wait this long before the next (s): a cloud does not hurry.
_PAUSE_AFTER_FAILURE_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveCorrection:
    """One correction, when its frame had arrived and how long the computing took."""

    correction: Correction
    sequence: int
    frame_age_s: float
    latency_ms: float


async def run_adjustment(
    measurer: FrameMeasurer,
    clock: Clock,
    survey: AxisEstimate,
    target_enu: Vector,
    *,
    tolerance_rad: float,
    exposure_s: float,
    mechanical_floor_arcsec: float,
    until_good: bool,
    on_correction: Callable[[LiveCorrection], None],
    on_trouble: Callable[[MeasurementError, float], None],
) -> Correction:
    """Measure and report until good enough (where asked for) or until cancelled.

    ``on_trouble`` gets the failure and for how long (s) no frame has been solved.

    Raises
    ------
    DeviceError, LinkError
        From the camera.
    """
    sequence = 0
    steady = 0
    last_good_s = clock.monotonic()
    while True:
        try:
            measured = await measurer.measure(exposure_s)
        except MeasurementError as failure:
            steady = 0
            on_trouble(failure, clock.monotonic() - last_good_s)
            await clock.sleep(_PAUSE_AFTER_FAILURE_S)
            continue
        last_good_s = measured.arrived_s
        live = axis_now(survey, measured.observed, mechanical_floor_arcsec=mechanical_floor_arcsec)
        correction = correct(
            live.axis_enu, live.covariance_rad2, target_enu, tolerance_rad=tolerance_rad
        )
        sequence += 1
        on_correction(
            LiveCorrection(
                correction=correction,
                sequence=sequence,
                frame_age_s=max(0.0, (clock.now() - live.instant).total_seconds()),
                latency_ms=1000.0 * (clock.monotonic() - measured.arrived_s),
            )
        )
        steady = steady + 1 if correction.verdict is Verdict.GOOD_ENOUGH else 0
        if until_good and steady >= STEADY_FRAMES:
            return correction
