"""Pointing model: the axis from where a mount says that it points at things of known place.

The mechanics: ``pointing_mechanics``.  What few observations cannot tell comes from priors.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import (
    MISFIT_PROBABILITY,
    SUSPICIOUS_MISFIT_PROBABILITY,
    chi2_survival,
)
from polewright.core.axis.pointing_mechanics import (
    PointingTerms,
    across_axis,
    axis_of,
    pointed,
    polar_frame,
)
from polewright.core.axis.pointing_search import Problem, search
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.errors import MeasurementError
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import sky_tangents
from polewright.core.geometry.rotations import Matrix, Vector
from polewright.core.sky.place import Place

Array = NDArray[np.float64]

_STEP_RAD = 1e-6
_CONVERGED_RAD = 1e-11
_MOST_ROUNDS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointingFit:
    """The mount as the sightings and the prior describe it.

    Attributes
    ----------
    place : Place
        Where the mount stands.
    terms : PointingTerms
        Most probable terms.
    covariance_rad2 : ndarray of shape (6, 6)
        Of the terms in order (rad^2); enlarged where the sightings disagree.
    prior : PointingPrior
        What was known before.
    chi2 : float
        Weighted sum of squares, the prior's included.
    degrees_of_freedom : int
        Two for each sighting: the prior knows something of every term.
    residuals_rad : ndarray of shape (n, 2)
        Pointed less predicted: increasing azimuth on the sky, increasing altitude.
    sightings : tuple of Sighting
        What it was made from.
    mounts : int
        How many different mounts describe them about as well; over 1: nobody can tell which.
    """

    place: Place
    terms: PointingTerms
    covariance_rad2: Matrix
    prior: PointingPrior
    chi2: float
    degrees_of_freedom: int
    residuals_rad: Array
    sightings: tuple[Sighting, ...]
    mounts: int = 1

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("covariance_rad2", "residuals_rad"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def axis_enu(self) -> Vector:
        """The elevated end of the axis."""
        return axis_of(self.terms.array(), self.place)

    @property
    def axis_covariance_rad2(self) -> Array:
        """Covariance across the axis: increasing azimuth on the sky, increasing altitude."""
        return axis_covariance_of(self.covariance_rad2, self.terms, self.place)

    @property
    def sigma_rad(self) -> float:
        """Standard deviation of the axis along its worst direction (rad)."""
        return float(np.sqrt(np.linalg.eigvalsh(self.axis_covariance_rad2)[-1]))

    @property
    def misfit_probability(self) -> float:
        """Probability of a chi-square this large by chance."""
        return chi2_survival(self.chi2, self.degrees_of_freedom)

    @property
    def consistent(self) -> bool:
        """True where sightings and prior agree with one another."""
        return self.misfit_probability >= MISFIT_PROBABILITY

    def direction_enu(
        self, hour_angle_rad: float, declination_rad: float, *, beyond_the_pole: bool
    ) -> Vector:
        """Return where the telescope points when the mount shows this."""
        shown = (np.array([hour_angle_rad]), np.array([declination_rad]))
        there = pointed(self.terms.array(), *shown, np.array([beyond_the_pole]), self.place)
        return np.asarray(there[0])

    def readings_for(self, direction_enu: Vector, *, beyond_the_pole: bool) -> tuple[float, float]:
        """Return the hour angle and declination (rad) to send the mount to for a direction.

        Raises
        ------
        MeasurementError
            ``unreachable``: so near the axis that the telescope's cone keeps off it.
        """
        wanted = polar_frame(self.place).T @ direction_enu
        reading = np.array([np.arctan2(-wanted[1], wanted[0]), np.arcsin(wanted[2])])
        tangents = np.stack(sky_tangents(direction_enu))
        for _ in range(_MOST_ROUNDS):
            base = tangents @ self.direction_enu(*reading, beyond_the_pole=beyond_the_pole)
            if float(np.hypot(*base)) < _CONVERGED_RAD:
                return float(reading[0]), float(reading[1])
            columns = [
                tangents @ self.direction_enu(*(reading + step), beyond_the_pole=beyond_the_pole)
                - base
                for step in _STEP_RAD * np.eye(2)
            ]
            step = np.linalg.lstsq(np.column_stack(columns) / _STEP_RAD, -base, rcond=None)[0]
            reading = reading + step * min(1.0, 0.3 / max(float(np.abs(step).max()), 1e-30))
        raise MeasurementError(
            "the telescope cannot point there: it is too near the axis",
            remedy="Choose a target farther from the pole.",
            code="unreachable",
        )


def fit_pointing(sightings: Sequence[Sighting], prior: PointingPrior, place: Place) -> PointingFit:
    """Return the most probable mount; without sightings it is the prior.

    Raises
    ------
    MeasurementError
        ``no_fit``: the sightings are too far from what the prior allows for a fit to settle.
    """
    found = search(sightings, prior, place)
    covariance = found.covariance_rad2
    freedom = 2 * len(sightings)
    if chi2_survival(found.chi2, freedom) < SUSPICIOUS_MISFIT_PROBABILITY:
        covariance = covariance * (found.chi2 / freedom)
    problem = Problem.of(sightings, prior, place)
    return PointingFit(
        place=place,
        terms=PointingTerms.of(found.terms),
        covariance_rad2=covariance,
        prior=prior,
        chi2=found.chi2,
        degrees_of_freedom=freedom,
        residuals_rad=problem.off(found.terms).reshape(-1, 2) * problem.sigma[:, None],
        sightings=tuple(sightings),
        mounts=found.mounts,
    )


def information_of(
    sightings: Sequence[Sighting], prior: PointingPrior, terms: PointingTerms, place: Place
) -> Matrix:
    """Return what sightings and prior tell about the terms (6 x 6, rad^-2), before the bend."""
    return Problem.of(sightings, prior, place).linearised(terms.array())[2]


def told_by(
    fit: PointingFit, direction_enu: Vector, *, beyond_the_pole: bool, sigma_rad: float
) -> Matrix | None:
    """Return what a sighting of something there would tell of the terms (6 x 6, rad^-2).

    None where the telescope cannot be pointed there.
    """
    try:
        hour_angle, declination = fit.readings_for(direction_enu, beyond_the_pole=beyond_the_pole)
    except MeasurementError:
        return None
    sighting = Sighting(
        hour_angle_rad=hour_angle,
        declination_rad=declination,
        beyond_the_pole=beyond_the_pole,
        direction_enu=direction_enu,
        sigma_rad=sigma_rad,
    )
    jacobian = Problem.of([sighting], fit.prior, fit.place).linearised(fit.terms.array())[1]
    return np.asarray(jacobian.T @ jacobian)


def axis_covariance_of(covariance_rad2: Matrix, terms: PointingTerms, place: Place) -> Array:
    """Return the covariance across the elevated end of the axis of a covariance of the terms."""
    across = across_axis(terms.array(), place)
    return np.asarray(across @ covariance_rad2[:2, :2] @ across.T)
