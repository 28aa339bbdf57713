"""Search for the mount that sightings and prior knowledge describe, and for how well they do.

Maximum a posteriori by Gauss-Newton.  Two things are particular: where a term is known to degrees
only, the valley of equally good mounts is bent, and there may be two valleys (a mount whose zero
points nobody knows, and the Sun near the equator).  Both are in the covariance.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.pointing_mechanics import pointed
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import sky_tangents
from polewright.core.geometry.rotations import Matrix
from polewright.core.sky.place import Place

Array = NDArray[np.float64]

_STEP_RAD = 1e-6
_CONVERGED_SIGMA = 1e-3
_MOST_ROUNDS = 100
_LEAST_DAMPING = 1e-8
_BEND_STEP = 0.1
# Where to begin besides the middle of what was known: so many sigmas of the axis each way.
_START_SIGMAS = 1.5
# Another mount counts where it is this far (in sigmas of either) and not this much less probable.
_APART_SIGMA = 3.0
_LEAST_WEIGHT = 1e-4


@dataclass(frozen=True, slots=True)
class Solution:
    """The best mount: terms, covariance of the error, chi-square, and how many mounts would do."""

    terms: Array
    covariance_rad2: Matrix
    chi2: float
    mounts: int


def search(sightings: Sequence[Sighting], prior: PointingPrior, place: Place) -> Solution:
    """Return the most probable mount.

    Raises
    ------
    MeasurementError
        ``no_fit``: nothing that the prior allows is near the sightings.
    """
    if not sightings:
        return Solution(prior.mean.array(), prior.covariance_rad2, 0.0, 1)
    problem = Problem.of(sightings, prior, place)
    found: list[tuple[float, Array, Matrix]] = []
    for start in problem.starts():
        terms = problem.descend(start)
        if terms is None:
            continue
        covariance = np.asarray(np.linalg.inv(problem.linearised(terms)[2]))
        if all(
            min(_distance(terms - there, covariance), _distance(terms - there, cov)) > _APART_SIGMA
            for _, there, cov in found
        ):
            found.append((problem.cost(terms), terms, covariance + problem.bend(terms, covariance)))
    if not found:
        raise MeasurementError(
            "the sightings do not settle on one mount",
            remedy="Check that each was centred on what it says, then begin anew.",
            code="no_fit",
        )
    found.sort(key=lambda one: one[0])
    chi2, best, _ = found[0]
    # Laplace: a valley's weight is its depth times its width.
    logs = [-0.5 * cost + 0.5 * np.linalg.slogdet(cov)[1] for cost, _, cov in found]
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    covariance = sum(
        weight * (cov + np.outer(terms - best, terms - best))
        for weight, (_, terms, cov) in zip(weights, found, strict=True)
    )
    return Solution(best, np.asarray(covariance), chi2, int((weights > _LEAST_WEIGHT).sum()))


def _distance(apart: Array, covariance: Matrix) -> float:
    return math.sqrt(float(apart @ np.linalg.solve(covariance, apart)))


@dataclass(frozen=True, slots=True)
class Problem:
    """Sightings and prior as arrays."""

    hour_angle: Array
    declination: Array
    beyond: NDArray[np.bool_]
    tangents: Array
    sigma: Array
    mean: Array
    spread: Matrix
    known: Matrix
    place: Place

    @classmethod
    def of(cls, sightings: Sequence[Sighting], prior: PointingPrior, place: Place) -> Self:
        """Gather."""
        return cls(
            np.array([sighting.hour_angle_rad for sighting in sightings]),
            np.array([sighting.declination_rad for sighting in sightings]),
            np.array([sighting.beyond_the_pole for sighting in sightings], dtype=bool),
            np.array([sky_tangents(s.direction_enu) for s in sightings]).reshape(-1, 2, 3),
            np.array([sighting.sigma_rad for sighting in sightings]),
            prior.mean.array(),
            prior.covariance_rad2,
            np.asarray(np.linalg.inv(prior.covariance_rad2)),
            place,
        )

    def starts(self) -> list[Array]:
        """Return where to begin: the middle of what is known, and about it."""
        root = np.linalg.cholesky(self.spread)[:, :2] * _START_SIGMAS
        corners = [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)]
        return [self.mean, *(self.mean + root @ np.array(corner) for corner in corners)]

    def off(self, terms: Array) -> Array:
        """Return pointed less predicted, in sigma, flat."""
        predicted = pointed(terms, self.hour_angle, self.declination, self.beyond, self.place)
        across = np.einsum("nij,nj->ni", self.tangents, predicted)
        return np.asarray((-across / self.sigma[:, None]).ravel())

    def cost(self, terms: Array) -> float:
        """Return chi-square, the prior's included."""
        off, away = self.off(terms), terms - self.mean
        return float(off @ off + away @ self.known @ away)

    def linearised(self, terms: Array) -> tuple[Array, Matrix, Matrix]:
        """Return the downhill slope, the derivative of the predictions and the information."""
        columns = [
            (self.off(terms - step) - self.off(terms + step)) / (2.0 * _STEP_RAD)
            for step in _STEP_RAD * np.eye(terms.size)
        ]
        jacobian = np.column_stack(columns)
        slope = jacobian.T @ self.off(terms) + self.known @ (self.mean - terms)
        return slope, jacobian, jacobian.T @ jacobian + self.known

    def descend(self, start: Array) -> Array | None:
        """Return the bottom of the valley below ``start``; None where none is found.

        Gauss-Newton; where it fails Newton, and the damping of Levenberg and Marquardt where
        that is of no use either.
        """
        terms, cost, damping = start, self.cost(start), 0.0
        for _ in range(_MOST_ROUNDS):
            slope, _, information = self.linearised(terms)
            plain = np.linalg.solve(information, slope)
            if float(plain @ slope) < _CONVERGED_SIGMA**2:
                return np.asarray(terms + plain)
            bent = information if damping == 0.0 else self._curved(terms, information)
            step = np.linalg.solve(bent + damping * np.diag(np.diag(information)), slope)
            tried = self.cost(terms + step)
            if tried < cost:
                terms, cost = terms + step, tried
                damping *= 0.1
            else:
                damping = max(10.0 * damping, _LEAST_DAMPING)
        return None

    def _curved(self, terms: Array, information: Matrix) -> Matrix:
        """Return the second derivative of half the cost, where it is a valley's."""
        sigmas = np.sqrt(np.diag(np.linalg.inv(information)))
        steps = np.diag(_BEND_STEP * sigmas)
        columns = [
            (self.linearised(terms - step)[0] - self.linearised(terms + step)[0])
            / (2.0 * float(step.sum()))
            for step in steps
        ]
        curved = 0.5 * (np.array(columns) + np.array(columns).T)
        positive = np.linalg.eigvalsh(curved * np.outer(sigmas, sigmas))[0] > 0.0
        return curved if positive else information

    def bend(self, terms: Array, covariance: Matrix) -> Matrix:
        """Return what the bend of the valley adds to the covariance, to second order.

        Along two directions of one sigma each, the predictions change by ``second``; the terms
        follow by ``-C J^T second``; the moments about the bottom are those of a quadratic form
        of normal variables.
        """
        root = np.linalg.cholesky(covariance)
        gain = covariance @ self.linearised(terms)[1].T
        count = terms.size
        bends = np.zeros((count, count, count))
        for one in range(count):
            for other in range(one + 1):
                both, apart = root[:, one] + root[:, other], root[:, one] - root[:, other]
                second = 0.25 * (
                    self.off(terms + both)
                    + self.off(terms - both)
                    - self.off(terms + apart)
                    - self.off(terms - apart)
                )
                bends[one, other] = bends[other, one] = gain @ second
        shift = 0.5 * np.einsum("iik->k", bends)
        return np.asarray(0.5 * np.einsum("ijk,ijl->kl", bends, bends) + np.outer(shift, shift))
