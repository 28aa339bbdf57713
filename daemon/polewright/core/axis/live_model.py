"""Live model: what is believed of a mount before its bolts are turned."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Vector

SIDEREAL_RATE_RAD_S = 7.2921158553e-5  # Earth's rotation, IERS Conventions (2010), table 1.2

# Wider than any error that the rest leaves open (rad).
_ROLL_UNKNOWN_RAD = 0.3

# Near the zenith the altitude bolt's vector bends more than a base can tilt.
_STEEPEST = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveModel:
    """What is believed of a mount beforehand (one sigma each).

    Attributes
    ----------
    mechanical_floor_arcsec : float
        Wander of the mechanics per axis; new after every motion, the same while nothing moves,
        so that averaging frames does not reduce it.
    jitter_arcsec : float
        Seeing and wind per frame and axis, which averaging does reduce.
    slip_arcsec : float
        Right ascension against sidereal time while tracking (periodic error).
    slip_standing_arcsec : float
        The same while the mount stands.
    slip_arcsec_per_s : float
        How fast that grows when no frame is seen for long.
    base_tilt_rad : float
        Tilt of the base, per direction (3 deg: a tripod set up by eye).
    bend_rad : float
        Bend of a bolt's vector for any other reason.
    play_fraction : float
        Turn about the third vector that differs from motion to motion, per motion.
    memory_frames : float
        About so many still frames are averaged; older ones are forgotten, since hands may have
        moved the axis by less than the noise shows.
    jitter_memory_frames : float
        The jitter is learned over about so many frames; infinite: it is believed as given.
    use_roll : bool
        False where the pictures' roll does not follow the mount (a field rotator that moves, a
        simulated picture that never rolls): then only directions count.
    """

    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC
    jitter_arcsec: float = 1.0
    slip_arcsec: float = 30.0
    slip_standing_arcsec: float = 5.0
    slip_arcsec_per_s: float = 0.2
    base_tilt_rad: float = 0.05
    bend_rad: float = 0.01
    play_fraction: float = 0.01
    memory_frames: float = 40.0
    jitter_memory_frames: float = 20.0
    use_roll: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """From one frame to another: how long (s), and whether the mount tracked (None: unknown)."""

    duration_s: float
    tracking: bool | None = True


def sidereal_turn_rad(axis_enu: Vector, duration_s: float) -> float:
    """Return how far a tracking mount turns right-handed about the axis's elevated end (rad)."""
    north = axis_enu[1] > 0.0
    return (-1.0 if north else 1.0) * SIDEREAL_RATE_RAD_S * duration_s


def steepness(axis_enu: Vector) -> float:
    """Tangent of the axis's altitude."""
    level = float(np.hypot(axis_enu[0], axis_enu[1]))
    return float(np.clip(float(axis_enu[2]) / max(level, 1e-6), -_STEEPEST, _STEEPEST))


def bends_prior(axis_enu: Vector, model: LiveModel) -> NDArray[np.float64]:
    """Bends by a base that leans to the right and forward, and a little for other reasons.

    With the vertical leaning by t the azimuth bolt's vector is -(up + t) and the altitude bolt's
    stays square to it and to the axis: axis x (up + t).
    """
    steep = steepness(axis_enu)
    lean = np.array([[-1.0, 0.0], [0.0, -1.0], [steep, 0.0], [-1.0, 0.0]])
    return np.asarray(lean @ lean.T * model.base_tilt_rad**2 + np.eye(4) * model.bend_rad**2)


def noise_enu(observed: ObservedAttitude, model: LiveModel) -> NDArray[np.float64]:
    """Noise of one frame as a left rotation (East-North-Up)."""
    camera = observed.covariance_camera_rad2 + np.eye(3) * (model.jitter_arcsec * ARCSEC_RAD) ** 2
    if not model.use_roll:
        camera[0, :] = camera[:, 0] = 0.0
        camera[0, 0] = _ROLL_UNKNOWN_RAD**2
    return np.asarray(observed.enu_from_camera @ camera @ observed.enu_from_camera.T)


def slip_rad(model: LiveModel, interval: Interval) -> float:
    """How far right ascension may have slipped (rad, one sigma)."""
    steady = model.slip_standing_arcsec if interval.tracking is False else model.slip_arcsec
    return float(np.hypot(steady, model.slip_arcsec_per_s * interval.duration_s)) * ARCSEC_RAD
