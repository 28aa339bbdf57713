"""The rotation that best turns one set of directions into another, and how well it is known.

Wahba's problem (G. Wahba, SIAM Review 7, 1965), solved by singular values (Markley 1988).
"""

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Matrix, nearest_rotation

Directions = NDArray[np.float64]


def camera_vectors(star_tangent: NDArray[np.float64], scale_arcsec_px: float) -> Directions:
    """Return unit vectors in the camera frame (x along the boresight), shape (n, 3).

    Parameters
    ----------
    star_tangent : ndarray of shape (n, 2)
        Tangent-plane offsets from the sensor's centre (px): along y, along z.
    scale_arcsec_px : float
        Plate scale at the centre (arcsec per px).
    """
    offsets = np.asarray(star_tangent) * (scale_arcsec_px * ARCSEC_RAD)
    vectors = np.column_stack([np.ones(len(offsets)), offsets])
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1)[:, None])


def fit_rotation(
    camera_directions: Directions, world_directions: Directions, sigma_rad: NDArray[np.float64]
) -> tuple[Matrix, Matrix]:
    """Return the rotation world -> camera and the covariance of its error in the camera frame.

    Parameters
    ----------
    camera_directions, world_directions : ndarray of shape (n, 3)
        The same directions as unit vectors in both frames; two or more, not all parallel.
    sigma_rad : ndarray of shape (n,)
        Standard deviation of each measured direction, per tangential axis (rad).

    Returns
    -------
    camera_from_world : ndarray of shape (3, 3)
    covariance_rad2 : ndarray of shape (3, 3)
        Of the small rotation vector about the camera's axes (rad^2); not scaled by residuals.
    """
    weights = 1.0 / np.square(sigma_rad)
    profile = (weights[:, None] * camera_directions).T @ world_directions
    rotation = nearest_rotation(profile)
    information = weights.sum() * np.eye(3) - (
        (weights[:, None] * camera_directions).T @ camera_directions
    )
    return rotation, np.asarray(np.linalg.inv(information))
