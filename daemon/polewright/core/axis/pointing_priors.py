"""Pointing priors: what is known of a mount's terms before the first field of an evening.

The axis comes from tonight's survey.  Cone and squareness stay as they were, as long as telescope
and camera are not taken off; zero points stay only at mounts that find their home by sensors,
which several evenings show.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.axis.sightings import PointingPrior
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.geometry.rotations import Matrix

# Of a mount that nobody has measured: an axis set up by eye and compass, a home position set by
# eye, ordinary workshop tolerances (common practice, no source).
AXIS_RAD = math.radians(1.0)
INDEX_RAD = math.radians(2.0)
CONE_RAD = 20.0 * ARCMIN_RAD
SQUARE_RAD = 5.0 * ARCMIN_RAD
# How far cone and squareness wander from night to night, by flexure and clamps (own estimate).
WANDER_RAD = 25.0 * ARCSEC_RAD
# Tripod and soil give way a little between survey and star alignment.
AXIS_HOLDS_RAD = 5.0 * ARCSEC_RAD

_INDEX = slice(2, 4)
_SHAPE = slice(4, 6)
# Fewer evenings do not show whether a mount finds its home again.
_HOME_EVENINGS = 3
# Nobody's home sensors are better, whatever three evenings happened to show (rad).
_BEST_HOME_RAD = 10.0 * ARCSEC_RAD


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EarlierTerms:
    """The terms of one earlier evening, before the mount was told anything, with covariance."""

    terms: PointingTerms
    covariance_rad2: Matrix

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "covariance_rad2", settled(self.covariance_rad2))


def unmeasured_prior() -> PointingPrior:
    """Return what is known of a mount that nobody has measured, about the true pole."""
    return PointingPrior.independent(
        PointingTerms(
            axis_east_rad=AXIS_RAD,
            axis_up_rad=AXIS_RAD,
            index_hour_rad=INDEX_RAD,
            index_declination_rad=INDEX_RAD,
            cone_rad=CONE_RAD,
            non_perpendicularity_rad=SQUARE_RAD,
        )
    )


def prior_from(
    evenings: Sequence[EarlierTerms], *, homes: Sequence[PointingTerms] = ()
) -> PointingPrior:
    """Return what earlier evenings (oldest first) tell of all terms but the axis.

    ``homes`` are the terms of those on which the mount began at its own home position, where it
    does so again now.
    """
    prior = unmeasured_prior()
    if not evenings:
        return prior
    mean, covariance = prior.mean.array(), np.array(prior.covariance_rad2)
    newest = evenings[-1]
    mean[_SHAPE] = newest.terms.array()[_SHAPE]
    wander = np.eye(2) * WANDER_RAD**2
    covariance[_SHAPE, _SHAPE] = newest.covariance_rad2[_SHAPE, _SHAPE] + wander
    if len(homes) >= _HOME_EVENINGS:
        zeros = np.array([home.array()[_INDEX] for home in homes])
        count = len(homes)
        # One more draw of a normal variable whose spread is known from so few: Student's t, told
        # as a normal of the same variance where it has one (Gelman et al., from memory).
        widened = (1.0 + 1.0 / count) * (count - 1.0) / max(count - 3.0, 0.5)
        sigma = np.maximum(np.std(zeros, axis=0, ddof=1) * math.sqrt(widened), _BEST_HOME_RAD)
        sigma = np.minimum(sigma, INDEX_RAD)
        mean[_INDEX] = zeros.mean(axis=0)
        covariance[_INDEX, _INDEX] = np.diag(sigma**2)
    return PointingPrior(mean=PointingTerms.of(mean), covariance_rad2=covariance)


def without_shape(prior: PointingPrior) -> PointingPrior:
    """Return the prior of a mount on which telescope or camera were set anew."""
    covariance = np.array(prior.covariance_rad2)
    covariance[_SHAPE, :] = covariance[:, _SHAPE] = 0.0
    covariance[_SHAPE, _SHAPE] = np.diag([CONE_RAD**2, SQUARE_RAD**2])
    mean = replace(prior.mean, cone_rad=0.0, non_perpendicularity_rad=0.0)
    return PointingPrior(mean=mean, covariance_rad2=covariance)


def without_axis(prior: PointingPrior) -> PointingPrior:
    """Return the prior of a mount whose axis may be anywhere near where it was found."""
    covariance = np.array(prior.covariance_rad2)
    covariance[:2, :] = covariance[:, :2] = 0.0
    covariance[:2, :2] = np.eye(2) * AXIS_RAD**2
    return PointingPrior(mean=prior.mean, covariance_rad2=covariance)
