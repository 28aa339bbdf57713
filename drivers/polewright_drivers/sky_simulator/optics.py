"""Optics: where on the sensor a direction falls."""

import math

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.scenario import CameraTruth

Array = NDArray[np.float64]


def project(camera_from_enu: Array, vector_enu: Array, camera: CameraTruth) -> Array:
    """Return pixel coordinates of directions (gnomonic, no distortion).

    Parameters
    ----------
    camera_from_enu : ndarray of shape (3, 3)
        The camera's attitude.
    vector_enu : ndarray of shape (n, 3)
        Where things are seen.
    camera : CameraTruth
        Focal length, pixels, parity.

    Returns
    -------
    ndarray of shape (n, 2)
        Column and row; whole numbers are pixel centres, (0, 0) is the first pixel's.  nan for
        what is not in front of the camera.
    """
    inside = vector_enu @ camera_from_enu.T
    forward = np.where(inside[:, 0] > 0.05, inside[:, 0], np.nan)
    scale_px = camera.focal_length_mm * 1000.0 / camera.pixel_size_um
    parity = -1.0 if camera.mirrored else 1.0
    column = (camera.width_px - 1) / 2.0 + scale_px * inside[:, 1] / forward
    row = (camera.height_px - 1) / 2.0 + parity * scale_px * inside[:, 2] / forward
    return np.column_stack([column, row])


def field_radius_rad(camera: CameraTruth) -> float:
    """Return the angle from the centre to a corner, with a margin for what blurs into it."""
    half_mm = math.hypot(camera.width_px, camera.height_px) / 2.0 * camera.pixel_size_um / 1000.0
    return math.atan2(half_mm, camera.focal_length_mm) * 1.05


def scale_arcsec_px(camera: CameraTruth) -> float:
    """Return the true plate scale at the centre (arcsec per px)."""
    return math.degrees(camera.pixel_size_um / 1000.0 / camera.focal_length_mm) * 3600.0
