"""Axis moved: what shows it, how far and how surely, and when a watch says so."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import ARCSEC_RAD

Array = NDArray[np.float64]

EARLIER_IN_ORDER = 3
"""So many frames or offsets in order, all dated before what came last: no late ones any more (a
judgement, no source)."""


class Evidence(StrEnum):
    """What shows that the axis moved."""

    TURN = "turn"
    CREEP = "creep"
    JUMP = "jump"
    GUIDE_JUMP = "guide_jump"
    GUIDE_TREND = "guide_trend"


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchLimits:
    """When to raise an alarm.

    ``sigmas``: how far beyond its noise; ``least_rad``: never for less; ``dither_rad``: the
    largest step that is made on purpose without the mount saying so.
    """

    sigmas: float = 5.0
    least_rad: float = 20.0 * ARCSEC_RAD
    dither_rad: float = 30.0 * ARCSEC_RAD


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One solved frame; ``left_alone``: the mount says that nobody sent it since the one before.

    None where no mount says anything.
    """

    observed: ObservedAttitude
    left_alone: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisMoved:
    """The axis moved.

    Attributes
    ----------
    evidence : Evidence
        What shows it.
    move_rad : ndarray of shape (2,)
        How far it went: on the sky with azimuth, and up (rad).
    covariance_rad2 : ndarray of shape (2, 2)
        Of that; wide where frames do not show it.
    significance : float
        How many sigmas beyond nothing the evidence stands.
    since : datetime
        The last instant at which it stood as before.
    """

    evidence: Evidence
    move_rad: Array
    covariance_rad2: Array
    significance: float
    since: datetime

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("move_rad", "covariance_rad2"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def size_rad(self) -> float:
        """How far it went, at least (rad)."""
        return float(np.hypot(*self.move_rad))
