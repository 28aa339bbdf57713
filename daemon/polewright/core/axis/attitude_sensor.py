"""Attitude sensor: the axis from a phone or a sensor that is held to it, roughly, by day.

Gravity gives the axis's altitude; its azimuth needs a second direction: the magnetic field, or the
Sun.  The sensor may be held along the axis, square to it or at any fixed angle: what counts is the
axis as a direction in the sensor's own frame, and that a bracket changes it by little.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.errors import MeasurementError
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import (
    UP_ENU,
    any_perpendiculars,
    cross,
    sky_tangents,
    unit,
)
from polewright.core.geometry.rotations import Matrix, Vector
from polewright.core.sky.magnetic import MagneticField

Array = NDArray[np.float64]

TOP_EDGE: Vector = np.array([0.0, 1.0, 0.0])
"""The axis where a phone lies along it, its top edge toward the pole."""
SCREEN: Vector = np.array([0.0, 0.0, 1.0])
"""The axis where a phone is clamped square to it, its screen toward the pole."""

TILT_SIGMA_RAD = math.radians(0.3)
"""A phone's gravity, after its makers' calibration."""
FIELD_SIGMA_RAD = math.radians(2.0)
"""Direction of a phone's raw field, calibrated by turning it about."""
HAND_HELD_SIGMA_RAD = math.radians(1.0)
"""How square or parallel a hand holds a sensor to an axis, per component."""

# Nothing at rest feels another weight than this (m/s^2, poles and equator differ by 0.5 %).
_GRAVITY_MS2 = 9.81
_RESTLESS = 0.05
# Beyond this the field is not the Earth's alone.
_DISTURBED_PART = 0.08
_DISTURBED_DIP_RAD = math.radians(4.0)
_STEP_RAD = 1e-5
# How differently a clamp sits from one time to the next before it has shown it (rad, per
# component), and how many times of showing that belief is worth (common practice, no source).
_USUAL_SPREAD_RAD = math.radians(0.3)
_BELIEVED_TIMES = 2.0
# Two directions so near to each other do not fix an attitude.
_NEAREST_RAD = math.radians(3.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SensorAxis:
    """The axis by a sensor.

    Attributes
    ----------
    axis_enu : ndarray of shape (3,)
        Elevated end.
    covariance_rad2 : ndarray of shape (2, 2)
        Across it: increasing azimuth on the sky, increasing altitude (rad^2).
    enu_from_sensor : ndarray of shape (3, 3)
        The sensor's attitude.
    disturbed : bool
        Whether iron spoils the magnetic field; the covariance knows.
    """

    axis_enu: Vector
    covariance_rad2: Array
    enu_from_sensor: Matrix
    disturbed: bool = False

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("axis_enu", "covariance_rad2", "enu_from_sensor"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def sigma_rad(self) -> float:
        """Standard deviation along the worst direction (rad)."""
        return math.sqrt(float(np.linalg.eigvalsh(self.covariance_rad2)[-1]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bracket:
    """The axis in the sensor's frame, as a bracket holds it.

    Attributes
    ----------
    axis_sensor : ndarray of shape (3,)
        Unit vector toward the elevated end.
    covariance_rad2 : ndarray of shape (2, 2)
        Of the next time it is put on, along ``any_perpendiculars(axis_sensor)`` (rad^2).
    surveys : int
        Number of surveys that it was learned from.
    spread_rad : float
        How differently it sat from time to time (rms per component, rad); 0: not known.
    """

    axis_sensor: Vector
    covariance_rad2: Array
    surveys: int = 0
    spread_rad: float = 0.0

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("axis_sensor", "covariance_rad2"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @classmethod
    def held(cls, axis_sensor: Vector, sigma_rad: float = HAND_HELD_SIGMA_RAD) -> "Bracket":
        """Return what is known of a sensor held to the axis by eye."""
        return cls(axis_sensor=unit(axis_sensor), covariance_rad2=np.eye(2) * sigma_rad**2)


def magnetic_axis(
    up_sensor: Vector,
    field_sensor_nt: Vector,
    field: MagneticField,
    bracket: Bracket,
    *,
    tilt_sigma_rad: float = TILT_SIGMA_RAD,
    field_sigma_rad: float = FIELD_SIGMA_RAD,
) -> SensorAxis:
    """Return the axis from gravity and the magnetic field.

    Parameters
    ----------
    up_sensor : ndarray of shape (3,)
        What an accelerometer shows at rest, in the sensor's frame: it points up (m/s^2, or of
        unit length).
    field_sensor_nt : ndarray of shape (3,)
        The field in the sensor's frame (nT).

    Raises
    ------
    MeasurementError
        ``not_at_rest``, or ``no_heading``: the field is too steep for a compass.
    """
    part, dip_error = field_misfit(up_sensor, field_sensor_nt, field)
    disturbed = abs(part) > _DISTURBED_PART or abs(dip_error) > _DISTURBED_DIP_RAD
    # What iron does to strength and dip (two components) it may do sideways; half as much again,
    # since two say little of how much.
    seen_nt = field.total_nt * math.hypot(part, dip_error)
    stray_rad = math.atan2(seen_nt, field.horizontal_nt) if disturbed else 0.0
    return _axis(
        up_sensor,
        field_sensor_nt,
        field.enu_nt,
        bracket,
        tilt_sigma_rad=tilt_sigma_rad,
        second_sigma_rad=field_sigma_rad,
        heading_sigma_rad=math.hypot(field.declination_sigma_rad, stray_rad),
        disturbed=disturbed,
    )


def sunlit_axis(
    up_sensor: Vector,
    sun_sensor: Vector,
    sun_enu: Vector,
    bracket: Bracket,
    *,
    tilt_sigma_rad: float = TILT_SIGMA_RAD,
    sun_sigma_rad: float,
) -> SensorAxis:
    """Return the axis from gravity and the direction of the Sun in the sensor's frame.

    A shadow gives the Sun to 0.5 to 1 deg, a sighted Sun to 0.3 deg, a Sun finder to 0.05 deg.

    Raises
    ------
    MeasurementError
        ``not_at_rest``, or ``no_heading``: the Sun is too near the zenith.
    """
    return _axis(
        up_sensor,
        sun_sensor,
        sun_enu,
        bracket,
        tilt_sigma_rad=tilt_sigma_rad,
        second_sigma_rad=sun_sigma_rad,
    )


def turned_axis(
    magnetic_from_sensor: Matrix,
    field: MagneticField,
    bracket: Bracket,
    *,
    tilt_sigma_rad: float = TILT_SIGMA_RAD,
    heading_sigma_rad: float = math.radians(4.0),
) -> SensorAxis:
    """Return the axis from an attitude that a phone has made itself: magnetic east, north, up.

    ``heading_sigma_rad`` is of its compass; what disturbs it does not show.
    """
    sine, cosine = math.sin(field.declination_rad), math.cos(field.declination_rad)
    true_from_magnetic = np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    return oriented_axis(
        true_from_magnetic @ magnetic_from_sensor,
        bracket,
        tilt_sigma_rad=tilt_sigma_rad,
        heading_sigma_rad=math.hypot(heading_sigma_rad, field.declination_sigma_rad),
    )


def oriented_axis(
    enu_from_sensor: Matrix,
    bracket: Bracket,
    *,
    tilt_sigma_rad: float = TILT_SIGMA_RAD,
    heading_sigma_rad: float,
) -> SensorAxis:
    """Return the axis from an attitude over the ground: true east, north, up."""
    north = np.array([0.0, 1.0, 0.0])
    return _axis(
        enu_from_sensor.T @ UP_ENU,
        enu_from_sensor.T @ north,
        north,
        bracket,
        tilt_sigma_rad=tilt_sigma_rad,
        second_sigma_rad=0.0,
        heading_sigma_rad=heading_sigma_rad,
    )


def field_misfit(
    up_sensor: Vector, field_sensor_nt: Vector, field: MagneticField
) -> tuple[float, float]:
    """Return how much stronger (part) and steeper (rad) a measured field is than the model's."""
    strength = float(np.linalg.norm(field_sensor_nt))
    if strength == 0.0:
        return -1.0, 0.0
    sine = -float(unit(up_sensor) @ field_sensor_nt) / strength
    dip = math.asin(max(-1.0, min(1.0, sine)))
    return strength / field.total_nt - 1.0, dip - field.dip_rad


def learn_bracket(
    before: Bracket,
    pairs: Sequence[tuple[SensorAxis, Vector, Array]],
    *,
    same_compass: bool = True,
) -> Bracket:
    """Return a bracket learned from surveys.

    Parameters
    ----------
    before : Bracket
        How it was meant to be held.
    pairs : sequence of (SensorAxis, ndarray, ndarray)
        Each time it was on: what the sensor said, and the axis (East-North-Up) of the night's
        survey with its covariance across itself (rad^2).
    same_compass : bool
        Whether the compass that was on then shows the azimuth the next time, too.

    Notes
    -----
    The compass's own error at one spot goes into the offset: the altitude part holds anywhere,
    the azimuth part at the same spot only.  Where the azimuth comes from elsewhere the next time
    (``same_compass`` false), that error is no help but one error more, the same in all pairs:
    many say no more of the azimuth than one.
    """
    first, second = any_perpendiculars(before.axis_sensor)
    basis = np.stack([first, second])
    places, covariances = [], []
    for said, axis_enu, covariance in pairs:
        attitude = np.asarray(said.enu_from_sensor)
        places.append(basis @ (attitude.T @ axis_enu))
        across = basis @ attitude.T @ np.stack(sky_tangents(axis_enu)).T
        part = _reading_part(said, before)
        if not same_compass:
            part[0, 0] *= len(pairs)
        reading = across @ (part + covariance) @ across.T
        covariances.append(reading)
    spread2 = _spread2(np.array(places), covariances)
    times = len(pairs) - 1.0
    believed2 = (_BELIEVED_TIMES * _USUAL_SPREAD_RAD**2 + times * spread2) / (
        _BELIEVED_TIMES + times
    )
    mean, covariance = _combined(places, covariances, before, believed2)
    axis_sensor = unit(before.axis_sensor + mean @ basis)
    # The pair of directions across another axis may be turned about it.
    turned = np.stack(any_perpendiculars(axis_sensor)) @ basis.T
    return Bracket(
        axis_sensor=axis_sensor,
        covariance_rad2=turned @ covariance @ turned.T + np.eye(2) * believed2,
        surveys=len(pairs),
        spread_rad=math.sqrt(spread2),
    )


def _reading_part(said: SensorAxis, bracket: Bracket) -> Array:
    """Return the covariance of a reading without its bracket's."""
    attitude = np.asarray(said.enu_from_sensor)
    tangents = np.stack(sky_tangents(said.axis_enu))
    across = tangents @ attitude @ np.stack(any_perpendiculars(bracket.axis_sensor)).T
    rest = said.covariance_rad2 - across @ bracket.covariance_rad2 @ across.T
    values, vectors = np.linalg.eigh(rest)
    # What is left of a subtraction is never certain.
    return np.asarray((vectors * np.maximum(values, 1e-8)) @ vectors.T)


def _combined(
    places: Sequence[Array], covariances: Sequence[Array], before: Bracket, spread2: float
) -> tuple[Array, Array]:
    information = np.linalg.inv(before.covariance_rad2)
    pull = np.zeros(2)
    for place, covariance in zip(places, covariances, strict=True):
        weight = np.linalg.inv(covariance + np.eye(2) * spread2)
        information = information + weight
        pull = pull + weight @ place
    combined = np.asarray(np.linalg.inv(information))
    return combined @ pull, combined


def _spread2(places: Array, covariances: Sequence[Array]) -> float:
    """Return the variance per component beyond what the readings explain.

    Along the direction that the readings know best, which is the altitude's: the compass's noise
    would hide it in the other.
    """
    if len(covariances) < 2:
        return 0.0
    values, vectors = np.linalg.eigh(np.mean(covariances, axis=0))
    seen = float(np.var(places @ vectors[:, 0], ddof=1))
    return max(seen - float(values[0]), 0.0)


def _axis(
    up_sensor: Vector,
    second_sensor: Vector,
    second_enu: Vector,
    bracket: Bracket,
    *,
    tilt_sigma_rad: float,
    second_sigma_rad: float,
    heading_sigma_rad: float = 0.0,
    disturbed: bool = False,
) -> SensorAxis:
    """Return the axis from two directions, gravity exact, with all errors carried through."""
    weight = float(np.linalg.norm(up_sensor))
    at_rest = abs(weight / _GRAVITY_MS2 - 1.0) < _RESTLESS or abs(weight - 1.0) < 0.02
    if not at_rest:
        raise MeasurementError(
            "the sensor is moving, or its gravity is not calibrated",
            remedy="Hold it still, or lay it down and calibrate it.",
            code="not_at_rest",
        )
    up, second = unit(up_sensor), unit(second_sensor)
    steep = min(float(np.linalg.norm(cross(UP_ENU, unit(second_enu)))),
                float(np.linalg.norm(cross(up, second))))  # fmt: skip
    if steep < math.sin(_NEAREST_RAD):
        raise MeasurementError(
            "the second direction is straight up or down: it does not show the azimuth",
            remedy="Use the Sun when it is lower, or set the azimuth by a landmark.",
            code="no_heading",
        )
    attitude = _attitude(up, second, second_enu)
    axis = attitude @ bracket.axis_sensor
    tangents = np.stack(sky_tangents(axis))

    def moved(up_: Vector, second_: Vector) -> Array:
        return np.asarray(tangents @ (_attitude(up_, second_, second_enu) @ bracket.axis_sensor))

    covariance = np.zeros((2, 2))
    for which, sigma in ((0, tilt_sigma_rad), (1, second_sigma_rad)):
        for direction in any_perpendiculars((up, second)[which]):
            step = direction * _STEP_RAD
            change = moved(up + step, second) if which == 0 else moved(up, second + step)
            slope = change / _STEP_RAD * sigma
            covariance += np.outer(slope, slope)
    heading = tangents @ cross(UP_ENU, axis) * heading_sigma_rad
    covariance += np.outer(heading, heading)
    across = tangents @ attitude @ np.stack(any_perpendiculars(bracket.axis_sensor)).T
    covariance += across @ bracket.covariance_rad2 @ across.T
    return SensorAxis(
        axis_enu=axis, covariance_rad2=covariance, enu_from_sensor=attitude, disturbed=disturbed
    )


def _attitude(up_sensor: Vector, second_sensor: Vector, second_enu: Vector) -> Matrix:
    """Return the rotation sensor -> ENU: up exactly up, the second in its own vertical plane."""
    return np.asarray(_triad(UP_ENU, second_enu).T @ _triad(unit(up_sensor), second_sensor))


def _triad(up: Vector, second: Vector) -> Matrix:
    across = unit(cross(up, second))
    return np.stack([cross(across, up), across, up])
