"""Second look: whether the axis still stands where it was, by one to three frames and no turn.

A survey knows the axis ``u`` in the camera's own frame.  While camera and declination axis are as
they were, a frame's attitude ``E`` shows the axis as ``E u``, whatever right ascension did since
(docs/decisions, 0002).

What a frame cannot separate: a declination axis that slipped turns the camera about the
declination axis, a camera that was turned in its holder about the line of sight, and a base that
moved does either, or both.  So agreement says that nothing moved, for all of them would have to
cancel one another; a disagreement says that something did.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import MISFIT_PROBABILITY, AxisEstimate, chi2_survival
from polewright.core.axis.live_model import LiveModel, noise_enu
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.pointing_priors import CONE_RAD, SQUARE_RAD
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import ARCSEC_RAD, cross, sky_tangents, unit
from polewright.core.geometry.rotations import Matrix, Vector, cross_matrix, rotation_about

Array = NDArray[np.float64]

MOVED_PROBABILITY = 0.005
"""So improbable a difference is told as a move: one needless word in two hundred looks."""
DOUBTFUL_PROBABILITY = 0.05
"""From here on one more frame is taken."""
MOST_FRAMES = 3
"""What three frames leave in doubt, more of the same place do not tell."""

# Nearer to the axis nobody can say which way the declination axis lies (rad).
_NEAR_AXIS_RAD = math.radians(2.0)
# How much a telescope sags anew over a turn of 1 rad in declination (rad; a judgement, no source).
_SAG = 15.0 * ARCSEC_RAD


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisThen:
    """What a second look is held against.

    Attributes
    ----------
    survey : AxisEstimate
        Which knows the axis in the camera's own frame.
    axis_enu, covariance_rad2 : ndarray or None
        Where the axis was seen last, where bolts were turned after the survey; None: the survey's.
    """

    survey: AxisEstimate
    axis_enu: Vector | None = None
    covariance_rad2: Array | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeclinationTurn:
    """How far declination was turned between survey and look, and about which axis.

    Attributes
    ----------
    turn_rad : float
        As the mount says, positive to the north.
    shape_rad : (float, float)
        The telescope's cone (CH), and the declination axis off the square (NP): as a star alignment
        found them, or 0.
    shape_covariance_rad2 : ndarray of shape (2, 2)
        Of these.
    beyond_the_pole : bool
        On which side of the pier, as ``pointing_mechanics`` counts.
    """

    turn_rad: float = 0.0
    shape_rad: tuple[float, float] = (0.0, 0.0)
    shape_covariance_rad2: Array = field(
        default_factory=lambda: np.diag([CONE_RAD**2, SQUARE_RAD**2])
    )
    beyond_the_pole: bool = False

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "shape_covariance_rad2", settled(self.shape_covariance_rad2))

    @property
    def sigma_rad(self) -> float:
        """About how far the turn leaves the axis uncertain (rad)."""
        shape = math.sqrt(float(np.linalg.eigvalsh(self.shape_covariance_rad2)[-1]))
        return abs(self.turn_rad) * math.hypot(shape, _SAG)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondLook:
    """What some frames say of the axis.

    Attributes
    ----------
    axis_enu, covariance_rad2 : ndarray
        The elevated end now, by these frames and the survey's ``u`` alone; its covariance across.
    move_rad : ndarray of shape (2,)
        How far it went since: on the sky with azimuth, and up (rad).
    move_covariance_rad2 : ndarray of shape (2, 2)
        Of that.
    scatter_chi2, scatter_freedom : float, int
        How the frames agree with one another.
    declination_way : ndarray of shape (2,)
        Which way a turn of the declination axis alone would seem to move it; unit vector, or zero
        near the axis, where that cannot be said.
    frames : int
        How many.
    """

    axis_enu: Vector
    covariance_rad2: Array
    move_rad: Array
    move_covariance_rad2: Array
    scatter_chi2: float
    scatter_freedom: int
    declination_way: Array
    frames: int

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in (
            "axis_enu", "covariance_rad2", "move_rad", "move_covariance_rad2", "declination_way"
        ):  # fmt: skip
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def chance(self) -> float:
        """Probability of a difference this large where nothing moved."""
        move = self.move_rad
        chi2 = float(move @ np.linalg.solve(self.move_covariance_rad2, move))
        return chi2_survival(chi2, 2)

    @property
    def steady(self) -> bool:
        """True where the frames agree with one another."""
        return chi2_survival(self.scatter_chi2, self.scatter_freedom) >= MISFIT_PROBABILITY

    @property
    def moved(self) -> bool:
        """True where the axis, or what carries the camera, moved."""
        return self.chance < MOVED_PROBABILITY

    @property
    def doubtful(self) -> bool:
        """True where one more frame is worth its time."""
        return not self.steady or self.chance < DOUBTFUL_PROBABILITY

    @property
    def like_declination(self) -> bool:
        """True where a declination axis that slipped would look the same."""
        across = np.array([-self.declination_way[1], self.declination_way[0]])
        sigma = math.sqrt(float(across @ self.move_covariance_rad2 @ across))
        return abs(float(across @ self.move_rad)) < 2.5 * sigma or not bool(across.any())


def look_again(
    frames: Sequence[ObservedAttitude],
    then: AxisThen,
    *,
    mechanical_floor_arcsec: float,
    repeatability_arcsec: float,
    declination: DeclinationTurn | None = None,
    south: bool,
) -> SecondLook:
    """Return what frames at one place say of the axis.

    Parameters
    ----------
    frames : sequence of ObservedAttitude
        One or more, while nothing but right ascension turned.
    then : AxisThen
        Where it was.
    mechanical_floor_arcsec : float
        How far the mechanics wander from place to place (one sigma): all frames share it.
    repeatability_arcsec : float
        How well the declination axis comes back to what it shows (one sigma).
    declination : DeclinationTurn, optional
        How far the mount says that declination was turned since the survey; it is undone, with what
        is not known of the declination axis.
    south : bool
        Whether the elevated end is the southern one.
    """
    survey = then.survey
    turned = declination or DeclinationTurn()
    camera_axis, spin, of_shape = _turned(survey, turned, south=south)
    model = LiveModel(mechanical_floor_arcsec=mechanical_floor_arcsec)
    shown = np.array([frame.enu_from_camera @ camera_axis for frame in frames])
    axis = unit(shown.mean(axis=0))
    tangents = np.stack(sky_tangents(axis))
    by_turn = -tangents @ cross_matrix(axis)
    noises = np.array([by_turn @ noise_enu(frame, model) @ by_turn.T for frame in frames])
    places = (shown - axis) @ tangents.T
    chi2 = float(sum(p @ np.linalg.solve(n, p) for p, n in zip(places, noises, strict=True)))
    attitude = tangents @ frames[-1].enu_from_camera @ spin
    of_camera = attitude @ survey.axis_camera_covariance_rad2 @ attitude.T
    by_shape = tangents @ frames[-1].enu_from_camera @ of_shape
    mechanics, way = _mechanics(
        axis,
        frames[0].enu_from_camera[:, 0],
        floor_rad=mechanical_floor_arcsec * ARCSEC_RAD,
        repeat_rad=repeatability_arcsec * ARCSEC_RAD,
        south=south,
    )
    alone = noises.sum(axis=0) / len(frames) ** 2 + mechanics + by_shape @ by_shape.T
    alone = alone + np.eye(2) * (_SAG * turned.turn_rad) ** 2
    if then.axis_enu is None or then.covariance_rad2 is None:
        before = survey.axis_enu
        if survey.axis_cross_covariance_rad2 is None:
            # However the two go together, their difference is no wider than this.
            of_both = 2.0 * (of_camera + survey.covariance_rad2)
        else:
            cross = attitude @ survey.axis_cross_covariance_rad2
            of_both = of_camera + survey.covariance_rad2 - cross - cross.T
    else:
        before = then.axis_enu
        of_both = of_camera + then.covariance_rad2
    return SecondLook(
        axis_enu=axis,
        covariance_rad2=alone + of_camera,
        move_rad=tangents @ (axis - before),
        move_covariance_rad2=alone + of_both,
        scatter_chi2=chi2,
        scatter_freedom=2 * (len(frames) - 1),
        declination_way=way,
        frames=len(frames),
    )


def _turned(
    survey: AxisEstimate, turned: DeclinationTurn, *, south: bool
) -> tuple[Vector, Matrix, Array]:
    """Return the axis in the camera's frame after the turn, that turn, and what the shape leaves.

    The last, 3 x 2: one sigma each of the shape's two principal parts.
    """
    if turned.turn_rad == 0.0:
        return survey.axis_camera, np.eye(3), np.zeros((3, 2))
    north = -survey.axis_camera if south else survey.axis_camera
    spin = _spin(north, np.array(turned.shape_rad), turned)
    values, vectors = np.linalg.eigh(turned.shape_covariance_rad2)
    parts = vectors * np.sqrt(np.maximum(values, 0.0))
    axis = spin @ survey.axis_camera
    left = [
        _spin(north, np.array(turned.shape_rad) + part, turned) @ survey.axis_camera - axis
        for part in parts.T
    ]
    return axis, spin, np.column_stack(left)


def _spin(north_camera: Vector, shape_rad: Array, turned: DeclinationTurn) -> Matrix:
    """Return how the turn carries what is fixed to the polar axis, in the camera's frame.

    The declination axis lies off the square on the line of sight by the cone and on the polar axis
    by the squareness; on the other side of the pier it points the other way.
    """
    sight = np.array([1.0, 0.0, 0.0])
    square = cross(north_camera, sight)
    if float(np.linalg.norm(square)) < 1e-6:
        return np.eye(3)
    sense = -1.0 if turned.beyond_the_pole else 1.0
    along = float(sight @ north_camera)
    wanted = sense * np.sin(shape_rad)
    weights = np.linalg.solve(np.array([[1.0, along], [along, 1.0]]), wanted)
    level = weights[0] * sight + weights[1] * north_camera
    rest = math.sqrt(max(0.0, 1.0 - float(level @ level)))
    # To the north: the line of sight and the northern end come nearer to each other.
    return rotation_about(level + rest * unit(square), turned.turn_rad)


def _mechanics(
    axis: Vector, sight: Vector, *, floor_rad: float, repeat_rad: float, south: bool
) -> tuple[Array, Array]:
    """Return what the mechanics make uncertain, and the way of a turn in declination."""
    floor = np.eye(2) * floor_rad**2
    square = cross(-axis if south else axis, sight)
    if float(np.linalg.norm(square)) < math.sin(_NEAR_AXIS_RAD):
        return floor + np.eye(2) * repeat_rad**2, np.zeros(2)
    way = np.stack(sky_tangents(axis)) @ cross(unit(square), axis)
    way = way / float(np.linalg.norm(way))
    return floor + repeat_rad**2 * np.outer(way, way), way
