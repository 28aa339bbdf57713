"""Observed attitudes: how the camera was oriented over the ground at one instant."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.arrays import settled
from polewright.core.geometry.rotations import Matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ObservedAttitude:
    """A camera attitude against the ground, refraction and aberration taken into account.

    Attributes
    ----------
    enu_from_camera : ndarray of shape (3, 3)
        Rotation: ``v_enu = enu_from_camera @ v_camera``; camera x along the boresight.
    covariance_camera_rad2 : ndarray of shape (3, 3)
        Covariance of the small right rotation about the camera's x (roll), y and z (rad^2),
        from the star positions alone.
    instant : datetime
        Aware UTC instant of mid-exposure.
    label : str
        What a person calls the frame (a file name, a number).
    """

    enu_from_camera: Matrix
    covariance_camera_rad2: NDArray[np.float64]
    instant: datetime
    label: str = ""

    def __post_init__(self) -> None:
        """Freeze the arrays and refuse a left-handed triad, which would fit and be nonsense."""
        if np.linalg.det(self.enu_from_camera) < 0.0:
            raise ValueError("enu_from_camera is a reflection: un-mirror the picture first")
        for name in ("enu_from_camera", "covariance_camera_rad2"):
            object.__setattr__(self, name, settled(getattr(self, name)))
