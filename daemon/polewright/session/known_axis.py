"""Known axis: where the polar axis was last seen, by a survey or while bolts were turned."""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.correction import Correction
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import ARCMIN_RAD, enu_from_altaz
from polewright.core.geometry.rotations import Vector

# Since then a tripod may have been moved: another evening's axis is nobody's (as a survey's age is
# warned of from here on).
HOLDS = timedelta(hours=12)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownAxis:
    """The elevated end of the axis, its covariance across (rad^2), and when it was seen.

    ``doubtful``: a watch or a look saw something move, and takes it to be the axis; until the next
    survey.
    """

    axis_enu: Vector
    covariance_rad2: NDArray[np.float64]
    instant: datetime
    doubtful: bool = False

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("axis_enu", "covariance_rad2"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @classmethod
    def surveyed(cls, estimate: AxisEstimate) -> "KnownAxis":
        """Take it from a survey."""
        return cls(
            axis_enu=estimate.axis_enu,
            covariance_rad2=estimate.covariance_rad2,
            instant=estimate.instant,
        )

    @classmethod
    def corrected(
        cls, correction: Correction, instant: datetime, *, doubtful: bool = False
    ) -> "KnownAxis":
        """Take it from a live correction; ``doubtful`` where it was so before."""
        altitude = math.radians(correction.axis_altitude_deg)
        sideways = correction.azimuth_error_sigma_arcmin * ARCMIN_RAD * math.cos(altitude)
        upward = correction.altitude_error_sigma_arcmin * ARCMIN_RAD
        return cls(
            axis_enu=enu_from_altaz(altitude, math.radians(correction.axis_azimuth_deg)),
            covariance_rad2=np.diag([sideways**2, upward**2]),
            instant=instant,
            doubtful=doubtful,
        )

    def holds(self, now: datetime) -> bool:
        """Return whether it may still be so."""
        return timedelta(0) <= now - self.instant <= HOLDS
