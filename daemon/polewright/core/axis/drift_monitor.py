"""Drift as it grows: one more offset at a time, target after target, ever more certain."""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.drift import DriftEstimate, DriftTrack, Wander, solve_drift
from polewright.core.geometry.rotations import Vector

Array = NDArray[np.float64]


@dataclass(slots=True, kw_only=True)
class DriftMonitor:
    """Gathers offsets while the mount tracks, and tells the axis ever better.

    Attributes
    ----------
    axis_enu, covariance_rad2 : ndarray
        What was known of the elevated end before.
    south : bool
        Whether that is the southern end.
    track : DriftTrack
        How it is tracked; its wanders are those before, if any.
    earlier : list of DriftTrack
        Tracks of other bodies, or of the same after a go-to, with the axis where it is.
    """

    axis_enu: Vector
    covariance_rad2: Array
    south: bool
    track: DriftTrack = field(default_factory=lambda: DriftTrack(wanders=()))
    earlier: list[DriftTrack] = field(default_factory=list)

    def add(self, wander: Wander) -> None:
        """Take one more offset of the present track.

        Raises
        ------
        ValueError
            Where it is not later than the one before.
        """
        if self.track.wanders and wander.instant <= self.track.wanders[-1].instant:
            raise ValueError("offsets come in order of time")
        self.track = replace(self.track, wanders=[*self.track.wanders, wander])

    def next_target(self) -> None:
        """Begin a new track: the mount was sent elsewhere, the axis was not touched."""
        self.earlier.append(self.track)
        self.track = replace(self.track, wanders=())

    def estimate(self) -> DriftEstimate | None:
        """Return the axis as far as it shows; None before the second offset."""
        tracks = [*self.earlier, self.track]
        if all(len(track.wanders) < 2 for track in tracks):
            return None
        return solve_drift(tracks, self.axis_enu, self.covariance_rad2, south=self.south)
