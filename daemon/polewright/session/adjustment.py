"""Live adjustment by hand: frame after frame, tell what the two bolts must still undo."""

from polewright.core.axis.correction import Correction, Verdict
from polewright.ports import Clock
from polewright.session.following import Follower
from polewright.session.knob_reports import KnobReports

# 'Good enough' has to hold for this many frames in a row before an adjustment ends by itself.
STEADY_FRAMES = 3


async def run_adjustment(
    follower: Follower, reports: KnobReports, clock: Clock, *, until_good: bool
) -> Correction:
    """Measure and report until good enough (where asked for) or until cancelled.

    ``reports`` are the follower's own.

    Raises
    ------
    MeasurementError
        ``declination_moved``: the survey is void.
    DeviceError, LinkError
        From the camera.
    """
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
