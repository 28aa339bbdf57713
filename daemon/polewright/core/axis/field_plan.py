"""Plan of star fields: where to look next so that go-tos get better most, and how often.

As few fields as the wish needs: each is chosen for what it tells of what is not known yet, given
all that is (survey, earlier nights, fields so far); among those nearly as good the nearest, since
slews take time.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from polewright.core.axis.goto_error import SkyPoint, modelled_goto_rad
from polewright.core.axis.pointing_model import PointingFit, told_by
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Matrix, Vector

# A field that leaves this much more error than the best one is as good, if it is nearer.
_NEARLY_AS_GOOD = 1.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldPlan:
    """What each field would tell, given what is known.

    Attributes
    ----------
    known : ndarray of shape (6, 6)
        Information of the terms so far (rad^-2).
    sky : ndarray of shape (6, 6)
        How go-tos follow the terms (:func:`~polewright.core.axis.goto_error.sensitivity`).
    repeatability_rad : float
        Of the mount, each component (rad).
    told : tuple of pairs
        Fields, and the information that a sighting there would add (rad^-2).
    """

    known: Matrix
    sky: Matrix
    repeatability_rad: float
    told: tuple[tuple[SkyPoint, Matrix], ...]

    @classmethod
    def of(
        cls,
        fit: PointingFit,
        fields: Sequence[SkyPoint],
        sky: Matrix,
        *,
        sigma_rad: float,
        repeatability_rad: float,
    ) -> Self:
        """Plan about a fit; ``sigma_rad`` is that of a sighting, each component (rad)."""
        told = []
        for field in fields:
            one = told_by(
                fit, field.direction_enu, beyond_the_pole=field.beyond_the_pole, sigma_rad=sigma_rad
            )
            if one is not None:
                told.append((field, one))
        return cls(
            known=np.asarray(np.linalg.inv(fit.covariance_rad2)),
            sky=sky,
            repeatability_rad=repeatability_rad,
            told=tuple(told),
        )

    def next_field(self, here_enu: Vector | None = None) -> SkyPoint | None:
        """Return the field to look at next, the nearer to ``here_enu`` of those about as good.

        None where the mount can be pointed at none.
        """
        options = self._options(self.known)
        if not options:
            return None
        best = min(left for left, _, _ in options)
        near = [option for option in options if option[0] <= _NEARLY_AS_GOOD * best]
        if here_enu is None:
            return min(near, key=lambda option: option[0])[1]
        return min(near, key=lambda option: angle_between(option[1].direction_enu, here_enu))[1]

    def needed(self, wish_rad: float, *, most: int) -> tuple[int, float]:
        """Return how many more fields bring go-tos to the wish (rms, rad), and what they promise.

        Never more than ``most``; 0 where they are good enough already.
        """
        information = self.known
        promised = self._left(information)
        for count in range(most):
            if promised <= wish_rad:
                return count, promised
            options = self._options(information)
            if not options:
                return count, promised
            promised, _, told = min(options, key=lambda option: option[0])
            information = information + told
        return most, promised

    def _options(self, information: Matrix) -> list[tuple[float, SkyPoint, Matrix]]:
        """Return what each field would leave of the go-to error (rad), and what it tells."""
        return [(self._left(information + told), field, told) for field, told in self.told]

    def _left(self, information: Matrix) -> float:
        covariance = np.asarray(np.linalg.inv(information))
        return modelled_goto_rad(covariance, self.sky, self.repeatability_rad)


def farthest_field(fields: Sequence[SkyPoint], seen: Sequence[Vector]) -> SkyPoint | None:
    """Return the field farthest from all that were seen: what a model does there, it has to know.

    None where there is no field.
    """
    if not fields:
        return None
    return max(
        fields, key=lambda field: min(angle_between(field.direction_enu, one) for one in seen)
    )
