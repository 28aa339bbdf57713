"""Field track: how a tracked field of stars turns away from the camera, whole attitudes at once.

A mount that turns at the sky's rate about its axis a carries the camera as
``B(t) = R(a, -w t) B(0)`` over the ground.  Turned back about the right axis, all attitudes are
one; about a wrong one they wander.  Of that wander the part about the axis itself is left out: it
is the worm's.  The part about the declination axis is the classical drift; the third, across both,
is field rotation seen far from the pole and drift in right ascension near it.  So one field shows
both components, the second one slowly where the picture is small.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.drift_equations import Equations, air_variance, moved_axis
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.geometry.directions import ARCSEC_RAD, cross, unit
from polewright.core.geometry.rotations import (
    Vector,
    rotations_from_vectors,
    vectors_from_rotations,
)

Array = NDArray[np.float64]

# The stars' own scatter leaves out what moves all of them: a tenth of a pixel's worth of that is
# always there (arcsec).
_FLOOR_RAD = 0.2 * ARCSEC_RAD
# From so many frames on, the differences of neighbours tell the noise.
_FEWEST_DIFFERENCES = 8
_STEP = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldTrack:
    """Solved frames of one field while the mount tracked it without a break, in order of time.

    Attributes
    ----------
    looks : sequence of ObservedAttitude
        Nobody guided, and nobody touched declination.
    """

    looks: Sequence[ObservedAttitude] = ()

    def with_look(self, look: ObservedAttitude) -> "FieldTrack":
        """Return the track with one more frame."""
        return replace(self, looks=[*self.looks, look])

    def emptied(self) -> "FieldTrack":
        """Return a track of another field that begins."""
        return FieldTrack()

    def prepared(self) -> "_Field":
        """Return it as arrays."""
        start = self.looks[0].instant
        time_s = np.array([(look.instant - start).total_seconds() for look in self.looks])
        return _Field(
            time_s - 0.5 * (time_s[0] + time_s[-1]),
            np.array([look.enu_from_camera for look in self.looks]),
            np.array([look.covariance_camera_rad2 for look in self.looks]),
        )


@dataclass(frozen=True, slots=True)
class _Field:
    """A field track; times from its middle (s)."""

    time_s: Array
    enu_from_camera: Array
    covariance_camera_rad2: Array

    @property
    def ways(self) -> int:
        """About the declination axis, and across."""
        return 2

    def air(self) -> tuple[float, ...]:
        """Return what lasting air adds to the variance of offsets taken together, in sigma^2.

        It moves the picture and does not turn it; the roll's share of the second way is free.
        """
        # The variance of where a frame looks, one direction (rad^2).
        across_rad2 = 0.5 * np.trace(self.covariance_camera_rad2[:, 1:, 1:], axis1=1, axis2=2)
        sigma = max(math.sqrt(float(np.median(across_rad2))), _FLOOR_RAD)
        roll = math.sqrt(float(np.median(self.covariance_camera_rad2[:, 0, 0])))
        air = air_variance(self.time_s, sigma)
        return air, air * (sigma / max(sigma, roll)) ** 2

    def equations(self, axis: Vector, south: bool) -> Equations:
        """Return the offsets about the declination axis and across, and what moves them."""
        count = self.time_s.size
        middle = count // 2
        north_end = -axis if south else axis
        reference = self._turned_back(north_end)[middle]
        declination_axis = unit(cross(north_end, reference[:, 0]))
        basis = np.array([declination_axis, cross(declination_axis, north_end)])

        def wander(of_axis: Vector) -> Array:
            turned = self._turned_back(-of_axis if south else of_axis)
            return np.asarray(vectors_from_rotations(turned @ turned[middle].T) @ basis.T)

        off = wander(axis)
        columns = []
        for part in np.eye(2) * _STEP:
            ahead, behind = wander(moved_axis(axis, part)), wander(moved_axis(axis, -part))
            columns.append((behind - ahead) / (2.0 * _STEP))
        in_camera = basis @ reference
        variances = (
            np.einsum("wi,nij,wj->nw", in_camera, self.covariance_camera_rad2, in_camera)
            + _FLOOR_RAD**2
        )
        sigma = np.sqrt(variances)
        if count >= _FEWEST_DIFFERENCES:
            seen = np.sqrt(0.5 * np.mean(np.diff(off, axis=0) ** 2, axis=0))
            sigma *= np.maximum(1.0, seen / np.sqrt(np.mean(variances, axis=0)))
        ones, zeros = np.ones(count), np.zeros(count)
        matrix = np.vstack(
            [
                np.column_stack([columns[0][:, 0], columns[1][:, 0], ones, zeros]),
                np.column_stack([columns[0][:, 1], columns[1][:, 1], zeros, ones]),
            ]
        )
        own = np.array([math.inf, math.inf])
        return matrix, off.T.ravel(), sigma.T.ravel(), own

    def _turned_back(self, north_end: Vector) -> Array:
        vectors = np.outer(SIDEREAL_RATE_RAD_S * self.time_s, north_end)
        return np.asarray(rotations_from_vectors(vectors) @ self.enu_from_camera)
