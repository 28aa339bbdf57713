"""Live adjustment: where the axis is now, from one new frame while the bolts are turned.

While declination is untouched the axis stands still in the camera's own frame (``u``).  The
survey knows ``u``; a new frame's attitude ``E`` therefore gives the axis as ``E u``, whatever
the mount did about the axis meanwhile (tracking, periodic error, a nudge in right ascension).
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC
from polewright.core.geometry.directions import ARCSEC_RAD, sky_tangents, unit
from polewright.core.geometry.rotations import Vector, cross_matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveAxis:
    """The axis as one frame shows it: unit vector (East-North-Up) and covariance (rad^2)."""

    axis_enu: Vector
    covariance_rad2: NDArray[np.float64]
    instant: datetime


def axis_now(
    survey: AxisEstimate,
    attitude: ObservedAttitude,
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
) -> LiveAxis:
    """Return the axis that a frame taken after the survey shows.

    Covariance: survey (``E C_u E^T``) and frame (a right rotation ``n`` of the camera moves the
    axis by ``E (n x u)``), added; the mechanical floor is in both.
    """
    to_ground = attitude.enu_from_camera
    axis = unit(to_ground @ survey.axis_camera)
    across = np.stack(sky_tangents(axis)) @ to_ground
    frame_covariance = (
        attitude.covariance_camera_rad2 + np.eye(3) * (mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    )
    from_frame = -across @ cross_matrix(survey.axis_camera)
    covariance = (
        across @ survey.axis_camera_covariance_rad2 @ across.T
        + from_frame @ frame_covariance @ from_frame.T
    )
    return LiveAxis(axis_enu=axis, covariance_rad2=covariance, instant=attitude.instant)
