"""Drift as it grows: one more look at a time, target after target, ever more certain."""

from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.drift import DriftEstimate, solve_drift
from polewright.core.axis.drift_equations import Track
from polewright.core.geometry.rotations import Vector

Array = NDArray[np.float64]
OneTrack = TypeVar("OneTrack", bound=Track)


@dataclass(slots=True, kw_only=True)
class DriftMonitor(Generic[OneTrack]):
    """Gathers looks while the mount tracks, and tells the axis ever better.

    Attributes
    ----------
    axis_enu, covariance_rad2 : ndarray
        What was known of the elevated end before.
    south : bool
        Whether that is the southern end.
    track : DriftTrack or FieldTrack
        What is tracked now; its looks are those before, if any.
    earlier : list
        Tracks of other targets, or of the same after a go-to, with the axis where it is.
    """

    axis_enu: Vector
    covariance_rad2: Array
    south: bool
    track: OneTrack
    earlier: list[OneTrack] = field(default_factory=list)

    def add(self, look: Any) -> None:
        """Take one more look at the present target.

        Raises
        ------
        ValueError
            Where it is not later than the one before.
        """
        if self.track.looks and look.instant <= self.track.looks[-1].instant:
            raise ValueError("looks come in order of time")
        self.track = self.track.with_look(look)

    def next_target(self) -> None:
        """Begin a new track: the mount was sent elsewhere, the axis was not touched."""
        self.earlier.append(self.track)
        self.track = self.track.emptied()

    def estimate(self) -> DriftEstimate | None:
        """Return the axis as far as it shows; None before the second look."""
        tracks = [*self.earlier, self.track]
        if all(len(track.looks) < 2 for track in tracks):
            return None
        return solve_drift(tracks, self.axis_enu, self.covariance_rad2, south=self.south)
