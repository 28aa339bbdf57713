"""Plan of star fields: where to look next so that go-tos get better most, and how often.

As few fields as the wish needs: each is chosen for what it tells of what is not known yet, given
all that is (survey, earlier nights, fields so far); among those nearly as good the nearest, since
slews take time.
"""

from collections.abc import Sequence

import numpy as np

from polewright.core.axis.goto_error import SkyPoint, modelled_goto_rad
from polewright.core.axis.pointing_model import PointingFit, told_by
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Matrix, Vector

# A field that leaves this much more error than the best one is as good, if it is nearer.
_NEARLY_AS_GOOD = 1.1


def next_field(
    fit: PointingFit,
    fields: Sequence[SkyPoint],
    sky: Matrix,
    *,
    sigma_rad: float,
    repeatability_rad: float,
    here_enu: Vector | None = None,
) -> SkyPoint | None:
    """Return the field to look at next; None where the mount can be pointed at none.

    Parameters
    ----------
    fit : PointingFit
        What is known so far.
    fields : sequence of SkyPoint
        Where it may look.
    sky : ndarray of shape (6, 6)
        How go-tos follow the terms (:func:`~polewright.core.axis.goto_error.sensitivity`).
    sigma_rad : float
        Of a sighting, each component (rad).
    repeatability_rad : float
        Of the mount, each component (rad).
    here_enu : ndarray of shape (3,), optional
        Where the telescope points now.
    """
    known = np.asarray(np.linalg.inv(fit.covariance_rad2))
    options = _options(fit, fields, known, sky, sigma_rad, repeatability_rad)
    if not options:
        return None
    best = min(left for left, _, _ in options)
    near = [option for option in options if option[0] <= _NEARLY_AS_GOOD * best]
    if here_enu is None:
        return min(near, key=lambda option: option[0])[1]
    return min(near, key=lambda option: angle_between(option[1].direction_enu, here_enu))[1]


def fields_needed(
    fit: PointingFit,
    fields: Sequence[SkyPoint],
    sky: Matrix,
    *,
    sigma_rad: float,
    repeatability_rad: float,
    wish_rad: float,
    most: int,
) -> tuple[int, float]:
    """Return how many more fields bring go-tos to the wish (rms, rad), and what they then promise.

    Never more than ``most``; 0 where they are good enough already.
    """
    information = np.asarray(np.linalg.inv(fit.covariance_rad2))
    promised = modelled_goto_rad(fit.covariance_rad2, sky, repeatability_rad)
    for count in range(most):
        if promised <= wish_rad:
            return count, promised
        options = _options(fit, fields, information, sky, sigma_rad, repeatability_rad)
        if not options:
            return count, promised
        promised, _, told = min(options, key=lambda option: option[0])
        information = information + told
    return most, promised


def farthest_field(fields: Sequence[SkyPoint], seen: Sequence[Vector]) -> SkyPoint | None:
    """Return the field farthest from all that were seen: what a model does there, it has to know.

    None where there is no field.
    """
    if not fields:
        return None
    return max(
        fields, key=lambda field: min(angle_between(field.direction_enu, one) for one in seen)
    )


def _options(
    fit: PointingFit,
    fields: Sequence[SkyPoint],
    information: Matrix,
    sky: Matrix,
    sigma_rad: float,
    repeatability_rad: float,
) -> list[tuple[float, SkyPoint, Matrix]]:
    """Return what each field would leave of the go-to error (rad), and what it tells."""
    options = []
    for field in fields:
        told = told_by(
            fit, field.direction_enu, beyond_the_pole=field.beyond_the_pole, sigma_rad=sigma_rad
        )
        if told is not None:
            covariance = np.asarray(np.linalg.inv(information + told))
            left = modelled_goto_rad(covariance, sky, repeatability_rad)
            options.append((left, field, told))
    return options
