"""Mechanical floor: how far a mount wanders from frame to frame, from the surveys it has made.

Restricted maximum likelihood: what the frames of a survey leave over after the best axis depends
on the floor alone.  A survey is kept only where its frames agreed with the floor it was weighed
with, so each counts by its likelihood given that it was kept; a few may be spoilt by a slip that
passed.  With a prior around the default, the posterior over a grid gives estimate and sigma.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import MISFIT_PROBABILITY, chi2_survival
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC, linearised_misfit
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD

# Beyond these (arcsec) a floor is not a mount's wander: a perfect mount still has wind, and worse
# than the upper one is a fault to mend.
SMALLEST_FLOOR_ARCSEC = 0.5
LARGEST_FLOOR_ARCSEC = 20.0

# Mounts differ from the default by about this factor (one sigma of a logarithmic normal; a
# judgement, no source): one survey hardly moves the estimate, a dozen overrule it.
_PRIOR_FACTOR = 2.0
# One survey in so many is spoilt by a slip that its misfit did not show ...
_SPOILT_PART = 0.02
# ... of about this size (arcsec).
_SPOILT_ARCSEC = 60.0
_GRID_POINTS = 81
_FEWEST_FRAMES = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyEvidence:
    """The frames of one kept survey, and the floor that it was weighed with (arcsec)."""

    attitudes: tuple[ObservedAttitude, ...]
    weighed_with_arcsec: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorEstimate:
    """A mount's mechanical floor.

    Attributes
    ----------
    floor_arcsec : float
        Wander per frame and axis (arcsec, one sigma).
    sigma_arcsec : float
        How well that is known (arcsec).
    surveys : int
        How many surveys say so; 0: the default.
    """

    floor_arcsec: float
    sigma_arcsec: float
    surveys: int


def estimate_floor(surveys: Sequence[SurveyEvidence]) -> FloorEstimate:
    """Return the mechanical floor that the surveys of one mount show.

    Parameters
    ----------
    surveys : sequence of SurveyEvidence
        Kept surveys with all their frames and with roll; what has too few frames, or disagrees
        with itself, says nothing here and is not counted.
    """
    floors = np.geomspace(SMALLEST_FLOOR_ARCSEC, LARGEST_FLOOR_ARCSEC, _GRID_POINTS)
    logs = np.log(floors)
    prior = (logs - math.log(DEFAULT_MECHANICAL_FLOOR_ARCSEC)) / math.log(_PRIOR_FACTOR)
    log_posterior = -0.5 * np.square(prior)
    counted = 0
    for survey in surveys:
        likelihood = _log_likelihood(survey, floors)
        if likelihood is not None:
            log_posterior = log_posterior + likelihood
            counted += 1
    weights = np.exp(log_posterior - log_posterior.max())
    weights /= weights.sum()
    mean = float(weights @ logs)
    spread = math.sqrt(float(weights @ np.square(logs - mean)))
    floor = math.exp(mean) if counted else DEFAULT_MECHANICAL_FLOOR_ARCSEC
    return FloorEstimate(floor_arcsec=floor, sigma_arcsec=floor * spread, surveys=counted)


def _log_likelihood(
    survey: SurveyEvidence, floors_arcsec: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Return the log likelihood of a survey at every floor, given that it was kept."""
    if len(survey.attitudes) < _FEWEST_FRAMES:
        return None
    try:
        residuals, design, weights, _ = linearised_misfit(
            survey.attitudes, survey.weighed_with_arcsec
        )
    except MeasurementError:
        return None
    size, unknowns = residuals.size, design.shape[2]
    flat, columns = residuals.reshape(size), design.reshape(size, unknowns)
    inverse = _blocks(weights)
    normal = columns.T @ inverse @ columns
    projector = inverse - inverse @ columns @ np.linalg.solve(normal, columns.T @ inverse)
    chi2, freedom = float(flat @ projector @ flat), size - unknowns
    if chi2_survival(chi2, freedom) < MISFIT_PROBABILITY:
        return None  # kept in spite of that: not by the rules that are counted on here
    spoilt = np.hypot(floors_arcsec, _SPOILT_ARCSEC)
    covariances = np.stack([attitude.covariance_camera_rad2 for attitude in survey.attitudes])
    seen = _mixed(
        *(_restricted(flat, columns, covariances, each) for each in (floors_arcsec, spoilt))
    )
    traces = float(np.trace(projector)), float(np.sum(np.square(projector)))
    kept = _mixed(
        *(
            _log_kept(each, survey.weighed_with_arcsec, freedom, traces)
            for each in (floors_arcsec, spoilt)
        )
    )
    return seen - kept


def _mixed(clean: NDArray[np.float64], spoilt: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.logaddexp(clean + math.log(1.0 - _SPOILT_PART), spoilt + math.log(_SPOILT_PART))


def _blocks(matrices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return matrices (..., n, 3, 3) as block-diagonal ones (..., 3n, 3n)."""
    *lead, count, _, _ = matrices.shape
    whole = np.zeros((*lead, 3 * count, 3 * count))
    for index in range(count):
        part = slice(3 * index, 3 * index + 3)
        whole[..., part, part] = matrices[..., index, :, :]
    return whole


def _restricted(
    residuals: NDArray[np.float64],
    columns: NDArray[np.float64],
    covariances: NDArray[np.float64],
    floors_arcsec: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the restricted log likelihood (Patterson & Thompson 1971) at every floor.

    It is blind to any change of the residuals along the columns, so residuals of a fit with
    another floor serve.
    """
    extra = np.square(floors_arcsec * ARCSEC_RAD)[:, None, None, None] * np.eye(3)
    noise = covariances + extra
    inverse = _blocks(np.asarray(np.linalg.inv(noise), dtype=np.float64))
    weighted = inverse @ columns
    normal = columns.T @ weighted
    along = residuals @ weighted
    solved = np.linalg.solve(normal, along[..., None])[..., 0]
    misfit = residuals @ inverse @ residuals - np.sum(along * solved, axis=-1)
    volume = np.linalg.slogdet(noise)[1].sum(axis=-1) + np.linalg.slogdet(normal)[1]
    return np.asarray(-0.5 * (volume + misfit))


def _log_kept(
    floors_arcsec: NDArray[np.float64],
    weighed_with_arcsec: float,
    freedom: int,
    traces: tuple[float, float],
) -> NDArray[np.float64]:
    """Return the log probability that a survey was kept, if the floor is this.

    Its chi-square, weighed with another floor, is a sum of squares of unequal weight; a scaled
    chi-square of the same mean and variance stands for it (Satterthwaite 1946).
    """
    limit = _limit(freedom)
    more = (np.square(floors_arcsec) - weighed_with_arcsec**2) * ARCSEC_RAD**2
    mean = freedom + more * traces[0]
    half_variance = freedom + 2.0 * more * traces[0] + np.square(more) * traces[1]
    alike = np.clip(np.rint(np.square(mean) / half_variance), 1, freedom)
    return np.array(
        [
            math.log(max(1.0 - chi2_survival(limit * count / centre, int(count)), 1e-300))
            for centre, count in zip(mean, alike, strict=True)
        ]
    )


def _limit(freedom: int) -> float:
    """Return the largest chi-square of a survey that is kept, by halving."""
    low, high = 0.0, 60.0 + 4.0 * freedom
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (
            (middle, high)
            if chi2_survival(middle, freedom) >= MISFIT_PROBABILITY
            else (low, middle)
        )
    return low
