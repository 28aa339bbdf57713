"""Live adjustment: frame after frame, tell what the two bolts must still undo."""

from collections.abc import Callable

from polewright.core.axis.correction import Correction, Verdict
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.errors import MeasurementError
from polewright.core.geometry.rotations import Vector
from polewright.ports import Clock
from polewright.session.following import Follower, LiveCorrection, Standing
from polewright.session.knob_reports import KnobReports
from polewright.session.measuring import FrameMeasurer
from polewright.session.safety import GuardedMount

__all__ = ["STEADY_FRAMES", "VALIDITY_S", "LiveCorrection", "Standing", "run_adjustment"]

# A correction older than this is no longer shown as live (s): hands have moved on by then.
VALIDITY_S = 6.0
# 'Good enough' has to hold for this many frames in a row before an adjustment ends by itself.
STEADY_FRAMES = 3


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
    mount: GuardedMount | None = None,
    standing: Standing | None = None,
    reports: KnobReports | None = None,
) -> Correction:
    """Measure and report until good enough (where asked for) or until cancelled.

    ``on_trouble`` gets the failure and for how long (s) no frame has been solved.  ``standing``
    is how the declination axis stood at the survey; left out: as it stands now.

    Raises
    ------
    MeasurementError
        ``declination_moved``: the survey is void.
    DeviceError, LinkError
        From the camera.
    """
    reports = reports or KnobReports()
    follower = Follower(
        measurer,
        clock,
        survey,
        target_enu,
        tolerance_rad=tolerance_rad,
        exposure_s=exposure_s,
        mechanical_floor_arcsec=mechanical_floor_arcsec,
        on_correction=on_correction,
        on_trouble=on_trouble,
        mount=mount,
        standing=standing,
        reports=reports,
    )
    steady = 0
    reports.begin(clock.now())
    try:
        while True:
            live = await follower.look()
            good = live is not None and live.correction.verdict is Verdict.GOOD_ENOUGH
            steady = steady + 1 if good else 0
            if live is not None and until_good and steady >= STEADY_FRAMES:
                return live.correction
    finally:
        reports.end()
