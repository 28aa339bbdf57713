"""Bounds: how well a survey can know the axis, from the survey's own covariance."""

import itertools
import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC, solve_axis
from polewright.core.geometry.directions import ARCSEC_RAD, enu_from_altaz
from polewright.core.geometry.rotations import rotation_about

# A frame of a short guide telescope knows its direction and its roll about so well (arcsec).
CENTRE_ARCSEC = 0.5
ROLL_ARCSEC = 20.0

DECLINATIONS_DEG = (89.0, 80.0, 45.0, 0.0)
FRAMES = (2, 3, 5)
SWEEPS_DEG = (15.0, 30.0, 45.0, 60.0, 90.0)

_INSTANT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundRow:
    """One declination and number of frames: the axis's uncertainty for each sweep (arcsec)."""

    declination_deg: float
    frames: int
    arcsec: tuple[float, ...]


def axis_bound_arcsec(
    declination_deg: float,
    frames: int,
    sweep_deg: float,
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
) -> float:
    """Return the uncertainty of the axis (arcsec, root of the sum over both components).

    Parameters
    ----------
    declination_deg : float
        Of the frames; 90 minus their distance from the axis (deg).
    frames, sweep_deg : int, float
        Evenly spaced over this turn (deg).
    mechanical_floor_arcsec : float
        What the mount wanders from frame to frame (arcsec).
    """
    axis = enu_from_altaz(math.radians(32.4), math.pi)
    across = np.array([0.0, math.sin(math.radians(32.4)), math.cos(math.radians(32.4))])
    declination = math.radians(declination_deg)
    boresight = math.sin(declination) * axis + math.cos(declination) * across
    third = np.cross(axis, across)
    start = np.column_stack([boresight, third, np.cross(boresight, third)])
    sigma_rad = np.array([ROLL_ARCSEC, CENTRE_ARCSEC, CENTRE_ARCSEC]) * ARCSEC_RAD
    attitudes = [
        ObservedAttitude(
            enu_from_camera=rotation_about(axis, math.radians(turn_deg)) @ start,
            covariance_camera_rad2=np.diag(sigma_rad**2),
            instant=_INSTANT,
        )
        for turn_deg in np.linspace(0.0, sweep_deg, frames)
    ]
    estimate = solve_axis(attitudes, mechanical_floor_arcsec=mechanical_floor_arcsec)
    return math.sqrt(float(np.trace(estimate.covariance_rad2))) / ARCSEC_RAD


def bound_rows() -> tuple[tuple[float, ...], list[BoundRow]]:
    """Return the sweeps (deg) and a row for each declination and number of frames."""
    rows = [
        BoundRow(
            declination_deg=declination_deg,
            frames=frames,
            arcsec=tuple(axis_bound_arcsec(declination_deg, frames, s) for s in SWEEPS_DEG),
        )
        for declination_deg, frames in itertools.product(DECLINATIONS_DEG, FRAMES)
    ]
    return SWEEPS_DEG, rows
