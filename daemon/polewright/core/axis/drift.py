"""Drift: the axis from how a tracked body wanders off, Sun or Moon by day, one star by night.

A mount that turns at rate w about its axis a sees a body that stands at u(t) over the ground at
``c(t) = R(a, w t) u(t)``.  With u(t) the computed observed place (the body's own motion and the
air's drift are in it) the axis follows from c(t), exactly at any size of the error.  Offsets along
declination count; those along right ascension only where the worm's period is known, since the
periodic error is larger than what they tell.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.drift_equations import (
    Equations,
    Prepared,
    Track,
    air_variance,
    moved_axis,
)
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.errors import MeasurementError
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import ARCSEC_RAD, cross, sky_tangents, unit
from polewright.core.geometry.rotations import Matrix, Vector, rotations_from_vectors

Array = NDArray[np.float64]

SOLAR_RATE_RAD_S = 2.0 * math.pi / 86400.0
"""What mounts call the solar rate: one turn in a mean day."""

DRIFT_PER_ERROR_PER_S = SIDEREAL_RATE_RAD_S
"""Classical rule: an axis error e at right angles drifts e times this along declination each
second: 0.2625 arcsec a minute for an arcmin; error (arcmin) = 3.81 x drift (arcsec a minute)."""

_ROUNDS = 6
_CONVERGED_RAD = 0.001 * ARCSEC_RAD
# How well a camera's angle on the sky, a mount's rate and a worm are known without looking.
_CAMERA_ANGLE_SIGMA_RAD = math.radians(1.0)
_RATE_SIGMA = 2e-4
_WORM_SIGMA_RAD = 20.0 * ARCSEC_RAD
# The scatter of fewer offsets than this says nothing about noise that lasts.
_FEWEST = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wander:
    """Where a tracked body was seen at one instant.

    Attributes
    ----------
    instant : datetime
        Aware UTC instant of mid-exposure.
    direction_enu : ndarray of shape (3,)
        Where it stood by computation, refraction in (East-North-Up).
    west_rad, north_rad : float
        Where it was in the picture, from any fixed point of it: along the mount's right
        ascension (west) and declination (north) axes on the sky (rad).
    sigma_rad : float
        Of each, without what the air does over seconds: that is found from the scatter (rad).
    """

    instant: datetime
    direction_enu: Vector
    west_rad: float
    north_rad: float
    sigma_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftTrack:
    """Wander of one body while the mount tracked it without a break, in order of time.

    Attributes
    ----------
    wanders : sequence of Wander
        Two or more.
    rate_rad_s : float
        Rate at which the mount turned.
    worm_period_s : float or None
        Period of the mount's periodic error; None: right ascension is not used.
    camera_angle_sigma_rad : float
        How well the directions of west and north in the picture are known (rad).
    """

    wanders: Sequence[Wander]
    rate_rad_s: float = SIDEREAL_RATE_RAD_S
    worm_period_s: float | None = None
    camera_angle_sigma_rad: float = _CAMERA_ANGLE_SIGMA_RAD

    @property
    def looks(self) -> Sequence[Wander]:
        """The wanders."""
        return self.wanders

    def with_look(self, look: Wander) -> "DriftTrack":
        """Return the track with one more wander."""
        return replace(self, wanders=[*self.wanders, look])

    def emptied(self) -> "DriftTrack":
        """Return a track of another body that begins, tracked likewise."""
        return replace(self, wanders=())

    def prepared(self) -> Prepared:
        """Return it as arrays."""
        return _Wanders.of(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriftEstimate:
    """The axis from drift.

    Attributes
    ----------
    axis_enu : ndarray of shape (3,)
        Elevated end.
    covariance_rad2 : ndarray of shape (2, 2)
        Across it: increasing azimuth on the sky, increasing altitude (rad^2).
    scatter_rad : float
        Of single offsets along declination about the fit (rms, rad).
    lasting : float
        Over how many offsets the scatter is seen to last: 1 where each is new.
    duration_s : float
        Time covered by the longest track.
    """

    axis_enu: Vector
    covariance_rad2: Array
    scatter_rad: float
    lasting: float
    duration_s: float

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("axis_enu", "covariance_rad2"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def sigma_rad(self) -> float:
        """Standard deviation along the worst direction (rad)."""
        return math.sqrt(float(np.linalg.eigvalsh(self.covariance_rad2)[-1]))

    @property
    def best_sigma_rad(self) -> float:
        """Standard deviation along the direction that drift tells best (rad)."""
        return math.sqrt(float(np.linalg.eigvalsh(self.covariance_rad2)[0]))

    @property
    def best_direction(self) -> tuple[float, float]:
        """What drift tells best: parts of azimuth on the sky and altitude, as a unit vector."""
        east, up = np.linalg.eigh(self.covariance_rad2)[1][:, 0]
        return float(east), float(up)


def classical_drift(
    axis_east_rad: float, axis_up_rad: float, hour_angle_rad: float, declination_rad: float
) -> tuple[float, float]:
    """Return the drift rates west and north (rad/s) of a small error of the north end of the axis.

    First order; hour angle at mid-time.
    """
    sine, cosine = math.sin(hour_angle_rad), math.cos(hour_angle_rad)
    west = math.sin(declination_rad) * (axis_up_rad * cosine - axis_east_rad * sine)
    north = -(axis_up_rad * sine + axis_east_rad * cosine)
    return west * SIDEREAL_RATE_RAD_S, north * SIDEREAL_RATE_RAD_S


def solve_drift(
    tracks: Sequence[Track],
    axis_enu: Vector,
    covariance_rad2: Array,
    *,
    south: bool,
) -> DriftEstimate:
    """Return the axis from one or more tracks and what was known before.

    Parameters
    ----------
    axis_enu, covariance_rad2 : ndarray
        What was known of the elevated end before (the pole, within degrees).
    south : bool
        Whether the elevated end is the southern one: it turns the other way round.

    Raises
    ------
    MeasurementError
        ``too_few_frames``: no track has two looks.
    """
    used = [track.prepared() for track in tracks if len(track.looks) > 1]
    if not used:
        raise MeasurementError(
            "one picture does not show a drift",
            remedy="Keep tracking and take more pictures.",
            code="too_few_frames",
        )
    axis = axis_enu
    for _ in range(_ROUNDS):
        systems = [track.equations(axis, south) for track in used]
        step, _, _ = _solved(systems, axis, axis_enu, covariance_rad2)
        axis = moved_axis(axis, step[:2])
        if float(np.hypot(*step[:2])) < _CONVERGED_RAD:
            break
    systems = [track.equations(axis, south) for track in used]
    step, covariance, leftovers = _solved(systems, axis, axis_enu, covariance_rad2)
    # The prior keeps its own width; what the looks say is as wide as their scatter, and as the
    # part of it that lasts, each way by itself.
    noise = [_noise(leftovers, way) for way in range(max(track.ways for track in used))]
    systems = [
        (matrix, off, sigma * _widening(track, noise), own)
        for track, (matrix, off, sigma, own) in zip(used, systems, strict=True)
    ]
    step, covariance, _ = _solved(systems, axis, axis_enu, covariance_rad2)
    scatter = math.sqrt(float(np.mean(np.concatenate([x[0][0] for x in leftovers]) ** 2)))
    return DriftEstimate(
        axis_enu=moved_axis(axis, step[:2]),
        covariance_rad2=covariance[:2, :2],
        scatter_rad=scatter,
        lasting=noise[0][1],
        duration_s=max(float(np.ptp(track.time_s)) for track in used),
    )


# Of each way of a track: what is left of it, the same in sigmas; and its own terms each way.
_Left = tuple[list[Array], list[Array], float]


@dataclass(frozen=True, slots=True)
class _Wanders:
    """A body's track (implements ``Prepared``)."""

    time_s: Array
    directions: Array
    west: Array
    north: Array
    sigma: Array
    track: DriftTrack

    @classmethod
    def of(cls, track: DriftTrack) -> "_Wanders":
        start = track.wanders[0].instant
        time_s = np.array([(w.instant - start).total_seconds() for w in track.wanders])
        return cls(
            time_s - 0.5 * (time_s[0] + time_s[-1]),
            np.array([w.direction_enu for w in track.wanders]),
            np.array([w.west_rad for w in track.wanders]),
            np.array([w.north_rad for w in track.wanders]),
            np.array([w.sigma_rad for w in track.wanders]),
            track,
        )

    @property
    def ways(self) -> int:
        """Declination alone, or right ascension as well."""
        return 1 if self.track.worm_period_s is None else 2

    def air(self) -> tuple[float, ...]:
        """Return what lasting air adds to the variance of offsets taken together, in sigma^2."""
        return (air_variance(self.time_s, float(np.median(self.sigma))),) * self.ways

    def predicted(self, axis: Vector, south: bool) -> tuple[Array, Array]:
        """Return the offsets west and north that an axis gives, from the middle's place."""
        north_end = -axis if south else axis
        vectors = np.outer(self.track.rate_rad_s * self.time_s, north_end)
        turned = np.einsum("nij,nj->ni", rotations_from_vectors(vectors), self.directions)
        middle = unit(turned.mean(axis=0))
        west = unit(cross(middle, north_end))
        toward_north = cross(west, middle)
        return turned @ west, turned @ toward_north

    def equations(self, axis: Vector, south: bool) -> Equations:
        """Return the offsets from the predicted ones, and what moves them."""
        step = 1e-6
        west, north = self.predicted(axis, south)
        columns = []
        for part in np.eye(2) * step:
            west_2, north_2 = self.predicted(moved_axis(axis, part), south)
            west_1, north_1 = self.predicted(moved_axis(axis, -part), south)
            columns.append(((west_2 - west_1) / (2 * step), (north_2 - north_1) / (2 * step)))
        off_west, off_north = self.west - west, self.north - north
        ones, zeros = np.ones(west.size), np.zeros(west.size)
        # The camera's angle mixes what was seen, periodic error included.
        seen_west, seen_north = self.west - self.west.mean(), self.north - self.north.mean()
        camera = self.track.camera_angle_sigma_rad
        period = self.track.worm_period_s
        if period is None:
            matrix = np.column_stack([columns[0][1], columns[1][1], ones, seen_west])
            return matrix, off_north, self.sigma, np.array([math.inf, camera])
        phase = 2.0 * math.pi * self.time_s / period
        rate = (
            self.track.rate_rad_s
            * self.time_s
            * float(np.linalg.norm(cross(axis, self.directions[0])))
        )
        along_west = [
            columns[0][0],
            columns[1][0],
            zeros,
            -seen_north,
            ones,
            rate,
            np.sin(phase),
            np.cos(phase),
        ]
        along_north = [columns[0][1], columns[1][1], ones, seen_west, zeros, zeros, zeros, zeros]
        priors = [math.inf, camera, math.inf, _RATE_SIGMA, _WORM_SIGMA_RAD, _WORM_SIGMA_RAD]
        return (
            np.vstack([np.column_stack(along_north), np.column_stack(along_west)]),
            np.concatenate([off_north, off_west]),
            np.concatenate([self.sigma, self.sigma]),
            np.array(priors),
        )


def _solved(
    systems: Sequence[Equations], axis: Vector, before: Vector, covariance_rad2: Array
) -> tuple[Array, Matrix, list[_Left]]:
    """Return the step of all terms, its covariance, and per track what is left."""
    count = 2 + sum(matrix.shape[1] - 2 for matrix, _, _, _ in systems)
    information, pull = np.zeros((count, count)), np.zeros(count)
    known = np.linalg.inv(covariance_rad2)
    information[:2, :2] = known
    pull[:2] = known @ np.array([tangent @ (before - axis) for tangent in sky_tangents(axis)])
    places: list[NDArray[np.int_]] = []
    at = 2
    for matrix, off, sigma, own in systems:
        where = np.concatenate([[0, 1], np.arange(at, at + own.size)]).astype(int)
        at += own.size
        weighted = matrix / sigma[:, None]
        information[np.ix_(where, where)] += weighted.T @ weighted
        pull[where] += weighted.T @ (off / sigma)
        information[where[2:], where[2:]] += 1.0 / np.square(own)
        places.append(where)
    scale = 1.0 / np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information * np.outer(scale, scale))
    covariance = inverse * np.outer(scale, scale)
    step = covariance @ pull
    leftovers = []
    for (matrix, off, sigma, own), where in zip(systems, places, strict=True):
        left = off - matrix @ step[where]
        ways = int(np.count_nonzero(np.isinf(own)))
        leftovers.append((np.split(left, ways), np.split(left / sigma, ways), own.size / ways))
    return step, covariance, leftovers


def _noise(leftovers: Sequence[_Left], way: int) -> tuple[float, float]:
    """Return how much wider than promised single looks scatter (sigma^2), and over how many.

    The latter is the sum of the autocorrelation up to where it vanishes in the noise of its own.
    """
    chi2, freedom, lasting = 0.0, 0.0, 1.0
    for _, normals, own in leftovers:
        if way >= len(normals):
            continue
        normal = normals[way]
        chi2 += float(normal @ normal)
        freedom += normal.size - own
        if normal.size < _FEWEST:
            continue
        centred = normal - normal.mean()
        power = float(centred @ centred)
        total = 1.0
        for lag in range(1, normal.size // 2):
            likeness = float(centred[lag:] @ centred[:-lag]) / power
            if likeness < 2.0 / math.sqrt(normal.size):
                break
            total += 2.0 * likeness
        lasting = max(lasting, total)
    freedom = max(freedom - 1.0, 1.0)
    return (chi2 / freedom if freedom >= _FEWEST else 1.0), lasting


def _widening(track: Prepared, noise: Sequence[tuple[float, float]]) -> Array:
    """Return by how much the sigmas of a track's rows are to be multiplied."""
    factors = [
        math.sqrt(max(single * lasting, single + air))
        for (single, lasting), air in zip(noise, track.air(), strict=False)
    ]
    return np.repeat(factors, track.time_s.size)
