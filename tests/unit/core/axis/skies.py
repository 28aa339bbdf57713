"""Made-up camera attitudes about a known axis, for the tests of this folder."""

from datetime import UTC, datetime

import numpy as np

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.geometry.directions import ARCSEC_RAD, any_perpendiculars, enu_from_altaz
from polewright.core.geometry.rotations import rotation_about, rotation_from_vector

INSTANT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def axis_at(altitude_deg: float, azimuth_deg: float) -> np.ndarray:
    return enu_from_altaz(np.radians(altitude_deg), np.radians(azimuth_deg))


def first_attitude(axis: np.ndarray, declination_deg: float, roll_deg: float = 20.0) -> np.ndarray:
    """Ground from camera, with the boresight 90 - declination away from the axis."""
    across, _ = any_perpendiculars(axis)
    boresight = np.sin(np.radians(declination_deg)) * axis
    boresight = boresight + np.cos(np.radians(declination_deg)) * across
    second = np.cross(axis, boresight)
    second /= np.linalg.norm(second)
    level = np.column_stack([boresight, second, np.cross(boresight, second)])
    return rotation_about(boresight, np.radians(roll_deg)) @ level


def observe(
    rng: np.random.Generator,
    attitude: np.ndarray,
    *,
    centre_arcsec: float = 0.5,
    roll_arcsec: float = 20.0,
    label: str = "",
) -> ObservedAttitude:
    sigma = np.array([roll_arcsec, centre_arcsec, centre_arcsec]) * ARCSEC_RAD
    noise = rng.normal(size=3) * sigma
    return ObservedAttitude(
        enu_from_camera=attitude @ rotation_from_vector(noise),
        covariance_camera_rad2=np.diag(sigma**2),
        instant=INSTANT,
        label=label,
    )


def sweep(
    rng: np.random.Generator,
    axis: np.ndarray,
    *,
    declination_deg: float,
    turns_deg: list[float],
    centre_arcsec: float = 0.5,
    roll_arcsec: float = 20.0,
) -> list[ObservedAttitude]:
    start = first_attitude(axis, declination_deg)
    return [
        observe(
            rng,
            rotation_about(axis, np.radians(turn)) @ start,
            centre_arcsec=centre_arcsec,
            roll_arcsec=roll_arcsec,
            label=str(index),
        )
        for index, turn in enumerate(turns_deg)
    ]
