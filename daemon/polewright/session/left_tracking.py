"""Left tracking: what a mount that was left following the sky comes to, and whether it still does.

A mount that follows the stars keeps its distance from the Sun and comes nearer to the floor, the
hour-angle limits and the meridian.
"""

import math

from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.errors import SafetyError
from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.ports import MountStatus
from polewright.session.limits import Scene, refuse_place

# Tracking is stopped when it would break a limit within this time (s): 1.25 deg of turn, and
# several polls ahead.
_AHEAD_S = 300.0
# A mount found farther than this from where it was left was moved by somebody else (deg).
_MOVED_DEG = 1.0
_SIDEREAL_DEG_S = math.degrees(SIDEREAL_RATE_RAD_S)


class LeftTracking:
    """Where one mount was left, and what was told of it."""

    def __init__(self) -> None:
        self.on = False
        self.sun_told = False
        self._at: MountStatus | None = None

    def begin(self) -> None:
        """Take note that it was moved here and tracks."""
        self.on, self.sun_told, self._at = True, False, None

    def end(self) -> None:
        """Take note that it does so no longer."""
        self.on = False

    def forget_place(self) -> None:
        """Take note that its coordinates jumped, and nobody moved it."""
        self._at = None

    def still_here(self, status: MountStatus) -> bool:
        """Return whether it still follows the place where it was left, first seen now."""
        if status.parked or self._somebody_moved(status):
            return False
        self._at = self._at or status
        return True

    def _somebody_moved(self, status: MountStatus) -> bool:
        before = self._at
        if before is None or before.right_ascension_deg is None or before.declination_deg is None:
            return False
        if status.right_ascension_deg is None or status.declination_deg is None:
            return False
        turned = wrap_half_turn_deg(status.right_ascension_deg - before.right_ascension_deg)
        return max(abs(turned), abs(status.declination_deg - before.declination_deg)) > _MOVED_DEG


def broken_soon(scene: Scene, position_deg: tuple[float, float] | None) -> SafetyError | None:
    """Return the limit that tracking on from an hour angle and declination (deg) would break."""
    if position_deg is None:
        return None
    for ahead_s in (0.0, _AHEAD_S):
        try:
            refuse_place(scene, position_deg[0] + ahead_s * _SIDEREAL_DEG_S, position_deg[1])
        except SafetyError as reason:
            return reason
    return None
