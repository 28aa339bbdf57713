"""A turned mount: what becomes of a pointing model when the bolts turn the whole mount.

The axis moves, and so does the zero point of the hour angle: turning in azimuth also turns the
mount about its own axis, by the sine of the latitude.  The terms inside the mount stay.

A body that is kept in the picture shows two angles.  The two bolts' turns are as many unknowns,
so the axis can be followed by one body while the hands turn, as well as the terms are known.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.bolts import BoltTurns, level_bolts, rotation_of
from polewright.core.axis.estimate import chi2_survival
from polewright.core.axis.pointing_mechanics import (
    PointingTerms,
    axis_of,
    axis_terms,
    pointed,
    polar_frame,
)
from polewright.core.axis.pointing_model import PointingFit, axis_covariance_of, fit_pointing
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.geometry.directions import angle_between, sky_tangents
from polewright.core.geometry.rotations import Matrix, Vector, rotation_from_vector
from polewright.core.sky.place import Place

Array = NDArray[np.float64]

# So improbable a sight means that the bolts were turned since the one before.
_TURNED_PROBABILITY = 1e-3
# Bolts that turn may have turned by several times what shows.
_TURNED_TIMES = 5.0
_LEAST_TURN_RAD = math.radians(30.0 / 3600.0)
# A base that is not level and play in the head move the axis sideways by this part of its way:
# 0.026 on a base that leans by 1.5 deg.
_LEAK = 0.03
_STEP_RAD = 1e-5


def turned_terms(terms: PointingTerms, place: Place, turn_enu: Matrix) -> PointingTerms:
    """Return the terms of a mount that was turned as a whole (ENU rotation)."""
    before = rotation_from_vector(np.array([-terms.axis_east_rad, terms.axis_up_rad, 0.0]))
    frame = polar_frame(place)
    now = frame.T @ turn_enu @ frame @ before
    end = frame @ now[:, 2]
    east, up = axis_terms(-end if place.south else end, place)
    about = rotation_from_vector(np.array([-east, up, 0.0])).T @ now
    return replace(
        terms,
        axis_east_rad=float(east),
        axis_up_rad=float(up),
        index_hour_rad=terms.index_hour_rad - math.atan2(about[1, 0], about[0, 0]),
    )


def bolt_columns(terms: PointingTerms, place: Place) -> Array:
    """Return the derivative of the six terms by the azimuth and the altitude bolt (6 x 2)."""
    bolts = level_bolts(axis_of(terms.array(), place))
    columns = []
    for turn in (
        BoltTurns(azimuth_rad=_STEP_RAD, altitude_rad=0.0),
        BoltTurns(azimuth_rad=0.0, altitude_rad=_STEP_RAD),
    ):
        moved = turned_terms(terms, place, rotation_of(bolts, turn))
        columns.append((moved.array() - terms.array()) / _STEP_RAD)
    return np.column_stack(columns)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FollowedMount:
    """A mount that is followed by one sight after another while hands turn its bolts.

    Attributes
    ----------
    place : Place
        Where it stands.
    terms : PointingTerms
        As they are now.
    covariance_rad2 : ndarray of shape (6, 6)
        Of the terms (rad^2).
    turning : bool
        Whether the last sight shows that the bolts were turned since the one before.
    """

    place: Place
    terms: PointingTerms
    covariance_rad2: Matrix
    turning: bool = False

    @classmethod
    def of(cls, fit: PointingFit) -> "FollowedMount":
        """Begin from a fit."""
        return cls(place=fit.place, terms=fit.terms, covariance_rad2=fit.covariance_rad2)

    @property
    def axis_enu(self) -> Vector:
        """The elevated end of the axis."""
        return axis_of(self.terms.array(), self.place)

    @property
    def axis_covariance_rad2(self) -> Array:
        """Across it: increasing azimuth on the sky, increasing altitude (rad^2)."""
        return axis_covariance_of(self.covariance_rad2, self.terms, self.place)

    @property
    def prior(self) -> PointingPrior:
        """What is known of it for the next sights."""
        return PointingPrior(mean=self.terms, covariance_rad2=self.covariance_rad2)

    def seen(self, sighting: Sighting) -> "FollowedMount":
        """Return the mount after one more sight.

        Raises
        ------
        MeasurementError
            ``no_fit``.
        """
        plain = fit_pointing([sighting], self.prior, self.place)
        if chi2_survival(plain.chi2, plain.degrees_of_freedom) > _TURNED_PROBABILITY:
            return replace(
                self, terms=plain.terms, covariance_rad2=plain.covariance_rad2, turning=False
            )
        predicted = _predicted(self, sighting)
        off_rad = max(angle_between(predicted, sighting.direction_enu), _LEAST_TURN_RAD)
        columns = bolt_columns(self.terms, self.place) * _TURNED_TIMES * off_rad
        free = np.asarray(self.covariance_rad2) + columns @ columns.T
        fitted = fit_pointing(
            [sighting], PointingPrior(mean=self.terms, covariance_rad2=free), self.place
        )
        way = fitted.terms.array()[:2] - self.terms.array()[:2]
        leak = np.zeros((6, 6))
        leak[:2, :2] = np.eye(2) * (_LEAK * float(np.hypot(*way))) ** 2
        return replace(
            self,
            terms=fitted.terms,
            covariance_rad2=np.asarray(fitted.covariance_rad2) + leak,
            turning=True,
        )


def _predicted(mount: FollowedMount, sighting: Sighting) -> Vector:
    """Return where the telescope points by the mount's terms."""
    there = pointed(
        mount.terms.array(),
        np.array([sighting.hour_angle_rad]),
        np.array([sighting.declination_rad]),
        np.array([sighting.beyond_the_pole]),
        mount.place,
    )
    return np.asarray(there[0])


def sight_geometry(sighting: Sighting, terms: PointingTerms, place: Place) -> float:
    """Return how well one sight tells the two bolts apart: 1 well, 0 not at all.

    The smaller of the two ways that a turn of either bolt by one radian moves the body, the other
    bolt free: small near the horizon due east and west, and overhead.
    """
    bolts = level_bolts(axis_of(terms.array(), place))
    tangents = np.stack(sky_tangents(sighting.direction_enu))
    moves = np.column_stack(
        [
            tangents @ np.cross(vector, sighting.direction_enu)
            for vector in (bolts.azimuth_enu, bolts.altitude_enu)
        ]
    )
    return float(np.linalg.svd(moves, compute_uv=False)[-1])
