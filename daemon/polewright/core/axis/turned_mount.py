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
from polewright.core.axis.pointing_mechanics import (
    PointingTerms,
    axis_of,
    axis_terms,
    pointed,
    polar_frame,
)
from polewright.core.axis.pointing_model import PointingFit, axis_covariance_of
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD, sky_tangents, unit
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    rotation_about,
    rotation_from_vector,
)
from polewright.core.sky.place import Place

Array = NDArray[np.float64]

# A look that is off by more than this many of its sigmas shows that the bolts were turned, and
# never less than this angle.
_STILL_SIGMAS = 4.0
_LEAST_TURN_RAD = 5.0 * ARCSEC_RAD
# Play in the head turns the mount about the axis that neither bolt turns about by this part of
# what they turn (a guess), and a base that leans by as much as it leans.
_PLAY = 0.003
# Terms are never certain: keeps the covariance one.
_LEAST_SIGMA_RAD = 0.05 * ARCSEC_RAD
_LONGEST_TURN_RAD = math.radians(20.0)
_CONVERGED_RAD = 1e-9
_MOST_ROUNDS = 20
_STEP_RAD = 1e-5
_STEPS = _STEP_RAD * np.eye(2)


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
    """A mount that is followed by one look after another while hands turn its bolts.

    The mount itself stands or tracks meanwhile.  What it and its model were off by at the first
    look stays, so only the change counts.

    Attributes
    ----------
    place : Place
        Where it stands.
    terms : PointingTerms
        As they are now.
    covariance_rad2 : ndarray of shape (6, 6)
        Of the terms (rad^2).
    began : (PointingTerms, ndarray)
        Terms and covariance before the bolts were turned at all.
    turned : bool
        Whether they were.
    off_rad : ndarray of shape (2,)
        What the first looks were off by (along the tangents of their direction, rad).
    mean_rad : ndarray of shape (2,)
        What the looks since the last turn are off by on average.
    looks : int
        How many there were.
    lean_rad : float
        How far the base may lean, one sigma (rad).
    """

    place: Place
    terms: PointingTerms
    covariance_rad2: Matrix
    began: tuple[PointingTerms, Matrix]
    off_rad: Array
    mean_rad: Array
    lean_rad: float
    turned: bool = False
    looks: int = 1

    @classmethod
    def of(cls, fit: PointingFit, lean_rad: float) -> "FollowedMount":
        """Begin from a fit with sights; the last one is the first look."""
        off = np.asarray(fit.residuals_rad[-1])
        return cls(
            place=fit.place,
            terms=fit.terms,
            covariance_rad2=fit.covariance_rad2,
            began=(fit.terms, fit.covariance_rad2),
            off_rad=off,
            mean_rad=off,
            lean_rad=lean_rad,
        )

    @property
    def turning(self) -> bool:
        """Whether the last look shows that the bolts were turned since the one before."""
        return self.turned and self.looks == 1

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

    def seen(self, look: Sighting, noise_rad: float) -> "FollowedMount":
        """Return the mount after one more look.

        Parameters
        ----------
        look : Sighting
            Its sigma holds all that is not known of its direction.
        noise_rad : float
            The part of it that differs from look to look.

        Raises
        ------
        MeasurementError
            ``no_fit``: no turn of the two bolts explains it.
        """
        tangents = np.stack(sky_tangents(look.direction_enu))
        off = tangents @ (look.direction_enu - _predicted(self.terms, look, self.place))
        change = off - self.mean_rad
        spread = _STILL_SIGMAS * noise_rad * math.sqrt(1.0 + 1.0 / self.looks)
        if float(np.hypot(*change)) > max(spread, _LEAST_TURN_RAD):
            goal = look.direction_enu - self.off_rad @ tangents
            moved = self._turned(look, unit(goal), look.sigma_rad)
            return replace(moved, looks=1, turned=True)
        looks = self.looks + 1
        mean = self.mean_rad + change / looks
        if not self.turned:
            return replace(self, off_rad=mean, mean_rad=mean, looks=looks)
        goal = look.direction_enu - (off - mean + self.off_rad) @ tangents
        lasting2 = max(look.sigma_rad**2 - noise_rad**2, 0.0)
        sigma_rad = math.sqrt(lasting2 + noise_rad**2 / looks)
        averaged = self._turned(look, unit(goal), sigma_rad)
        return replace(averaged, looks=looks)

    def _turned(self, look: Sighting, goal_enu: Vector, sigma_rad: float) -> "FollowedMount":
        """Return the mount that is turned from where it began, in one go.

        A base that leans does so in every turn: its part counts by the whole way.
        """
        loose = math.hypot(self.lean_rad, _PLAY)
        terms, covariance = _turned(self.began, look, goal_enu, sigma_rad, self.place, loose)
        return replace(self, terms=terms, covariance_rad2=covariance, mean_rad=self.off_rad)


def _turned(
    before: tuple[PointingTerms, Matrix],
    look: Sighting,
    goal_enu: Vector,
    sigma_rad: float,
    place: Place,
    loose: float,
) -> tuple[PointingTerms, Matrix]:
    """Return the mount whose bolts were turned so that a look points where it did.

    Two angles are seen and two turns are unknown: the terms follow from those before, and their
    errors with them, but for what the turns take up.
    """
    terms, covariance = before
    bolts = level_bolts(axis_of(terms.array(), place))
    tangents = np.stack(sky_tangents(goal_enu))

    def after(turns: Array, began: PointingTerms = terms) -> PointingTerms:
        made = BoltTurns(azimuth_rad=float(turns[0]), altitude_rad=float(turns[1]))
        return turned_terms(began, place, rotation_of(bolts, made))

    def missed(turns: Array) -> Array:
        return np.asarray(tangents @ (goal_enu - _predicted(after(turns), look, place)))

    turns, slopes = np.zeros(2), np.eye(2)
    for _ in range(_MOST_ROUNDS):
        slopes = np.column_stack(
            [(missed(turns - step) - missed(turns + step)) / (2 * _STEP_RAD) for step in _STEPS]
        )
        left = missed(turns)
        if float(np.hypot(*left)) < _CONVERGED_RAD:
            break
        try:
            turns = turns + np.linalg.solve(slopes, left)
        except np.linalg.LinAlgError:
            raise _no_turn() from None
        if float(np.abs(turns).max()) > _LONGEST_TURN_RAD:
            raise _no_turn()
    else:
        raise _no_turn()
    now = after(turns)
    followed = np.column_stack(
        [
            (after(turns, PointingTerms.of(terms.array() + step)).array() - now.array()) / _STEP_RAD
            for step in _STEP_RAD * np.eye(6)
        ]
    )
    seen = np.column_stack(
        [
            tangents
            @ (_predicted(PointingTerms.of(now.array() + step), look, place)
               - _predicted(now, look, place)) / _STEP_RAD
            for step in _STEP_RAD * np.eye(6)
        ]
    )  # fmt: skip
    columns = np.column_stack([(after(turns + step).array() - now.array()) / _STEP_RAD
                               for step in _STEPS])  # fmt: skip
    # A base that leans, or play in the head, turns the mount about the third axis as well.
    third = np.cross(bolts.azimuth_enu, bolts.altitude_enu)
    about = turned_terms(now, place, rotation_about(third, _STEP_RAD))
    leak = (about.array() - now.array()) / _STEP_RAD * loose * float(np.abs(turns).max())
    taken_up = columns @ np.linalg.inv(slopes)
    keeps = np.eye(6) - taken_up @ seen
    spread = keeps @ (followed @ covariance @ followed.T + np.outer(leak, leak)) @ keeps.T
    spread += taken_up @ taken_up.T * sigma_rad**2
    return now, 0.5 * (spread + spread.T) + np.eye(6) * _LEAST_SIGMA_RAD**2


def _no_turn() -> MeasurementError:
    return MeasurementError(
        "no turn of the two bolts explains where the body went",
        remedy="If the mount was moved by its keys or its tube was touched: polewright sight "
        "--turned.",
        code="no_fit",
    )


def _predicted(terms: PointingTerms, look: Sighting, place: Place) -> Vector:
    """Return where the telescope points by the terms."""
    there = pointed(
        terms.array(),
        np.array([look.hour_angle_rad]),
        np.array([look.declination_rad]),
        np.array([look.beyond_the_pole]),
        place,
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
