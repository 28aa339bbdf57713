"""Live adjustment by hand: frame after frame, tell what the two bolts must still undo."""

from typing import Protocol

from polewright.core.axis.correction import Correction, Verdict
from polewright.ports import Clock
from polewright.session.following import LiveCorrection
from polewright.session.knob_reports import KnobReports

# 'Good enough' has to hold for this many frames in a row before an adjustment ends by itself.
STEADY_FRAMES = 3


class LiveSource(Protocol):
    """Follows the axis: by stars, by a body in the daylight, by a sensor."""

    async def look(self) -> LiveCorrection | None:
        """Look once and tell what it says; None where it says nothing."""
        ...


async def run_adjustment(
    source: LiveSource, reports: KnobReports, clock: Clock, *, until_good: bool
) -> Correction:
    """Measure and report until good enough (where asked for) or until cancelled.

    ``reports`` are the source's own.

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
            live = await source.look()
            good = live is not None and live.correction.verdict is Verdict.GOOD_ENOUGH
            steady = steady + 1 if good else 0
            if live is not None and until_good and steady >= STEADY_FRAMES:
                return live.correction
    finally:
        reports.end()
