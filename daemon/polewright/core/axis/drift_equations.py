"""Drift equations: what any kind of track gives to the one solution for the axis."""

from collections.abc import Sequence
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import ARCSEC_RAD, cross, sky_tangents
from polewright.core.geometry.rotations import Matrix, Vector, rotation_from_vector

Array = NDArray[np.float64]

# Air that moves the picture for so long by so much is there even where the scatter does not show
# it: common seeing, as assumed in the tables of the documentation.
_AIR_RAD = 0.3 * ARCSEC_RAD
_AIR_LASTS_S = 20.0

Equations = tuple[Matrix, Array, Array, Array]
"""Design matrix (axis terms, then a track's own), offsets, sigmas, prior sigmas of own terms.

One way of being offset after the other; of the own terms one each way is free (infinite sigma).
"""


class Prepared(Protocol):
    """A track as arrays; times from its middle (s)."""

    @property
    def time_s(self) -> Array:
        """When each look was taken."""
        ...

    @property
    def ways(self) -> int:
        """In how many ways looks are offset: the rows come one way after the other."""
        ...

    def air(self) -> tuple[float, ...]:
        """Return what lasting air adds to the variance of many offsets, each way, in sigma^2."""
        ...

    def equations(self, axis: Vector, south: bool) -> Equations:
        """Return what the looks say about an axis near this one."""
        ...


class Track(Protocol):
    """What was seen of one target while the mount tracked it without a break."""

    @property
    def looks(self) -> Sequence[Any]:
        """What was seen, in order of time; each with its ``instant``."""
        ...

    def with_look(self, look: Any) -> Self:
        """Return the track with one more look."""
        ...

    def emptied(self) -> Self:
        """Return a track of another target that begins."""
        ...

    def prepared(self) -> Prepared:
        """Return it as arrays; two looks or more."""
        ...


def air_variance(time_s: Array, sigma_rad: float) -> float:
    """Return what lasting air adds to the variance of offsets taken together, in sigma^2."""
    step_s = float(np.ptp(time_s)) / (time_s.size - 1)
    return (_AIR_RAD / sigma_rad) ** 2 * 2.0 * _AIR_LASTS_S / step_s


def moved_axis(axis: Vector, step: Array) -> Vector:
    """Return an axis moved along its sky tangents (rad)."""
    sideways, upward = sky_tangents(axis)
    return rotation_from_vector(cross(axis, step[0] * sideways + step[1] * upward)) @ axis
