"""Axis estimates: where the polar axis points over the ground, and how well that is known."""

import math
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.arrays import settled
from polewright.core.geometry.rotations import Vector

# A misfit this improbable is a fault, not bad luck: one good survey in a thousand is refused.
MISFIT_PROBABILITY = 1e-3
# From here on the reported covariance grows with the misfit.
SUSPICIOUS_MISFIT_PROBABILITY = 0.05


class Method(StrEnum):
    """How an axis was measured: ``bodies`` by sights of Sun, Moon and planets."""

    STARS = "stars"
    BODIES = "bodies"
    DRIFT = "drift"
    SENSOR = "sensor"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisEstimate:
    """The elevated end of the polar axis.

    Attributes
    ----------
    axis_enu : ndarray of shape (3,)
        Unit vector, East-North-Up.
    covariance_rad2 : ndarray of shape (2, 2)
        Covariance across it: increasing azimuth (on the sky), increasing altitude (rad^2);
        already enlarged by the misfit where chi-square exceeds its expectation.
    chi2 : float
        Weighted sum of squared residuals.
    degrees_of_freedom : int
        Number of data less number of unknowns; 0: nothing could be checked.
    residuals_arcsec : ndarray of shape (n, 3)
        What is left per frame, about the camera's x (roll), y, z (arcsec).
    turn_angles_rad : ndarray of shape (n,)
        Turn of each frame about the axis, right-handed, the first 0 (rad).
    axis_camera : ndarray of shape (3,)
        The axis as seen in the camera's own frame, fixed while declination is untouched.
    axis_camera_covariance_rad2 : ndarray of shape (3, 3)
        Covariance of ``axis_camera`` (rank 2, rad^2), enlarged likewise.
    axis_cross_covariance_rad2 : ndarray of shape (3, 2) or None
        Covariance between ``axis_camera`` and ``axis_enu`` across itself, enlarged likewise; None
        where it is not known.
    roll_used : bool
        False where the pictures' roll was not trusted and the directions alone decided.
    instant : datetime
        Aware UTC instant of the last frame.
    labels : tuple of str
        Frames used, in order.
    rejected : tuple of str
        Frames left out because they did not fit.
    method : Method
        How it was measured.
    """

    axis_enu: Vector
    covariance_rad2: NDArray[np.float64]
    chi2: float
    degrees_of_freedom: int
    residuals_arcsec: NDArray[np.float64]
    turn_angles_rad: NDArray[np.float64]
    axis_camera: Vector
    axis_camera_covariance_rad2: NDArray[np.float64]
    instant: datetime
    labels: tuple[str, ...]
    rejected: tuple[str, ...] = ()
    method: Method = Method.STARS
    axis_cross_covariance_rad2: NDArray[np.float64] | None = None
    roll_used: bool = True

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for field in fields(self):
            if isinstance(value := getattr(self, field.name), np.ndarray):
                object.__setattr__(self, field.name, settled(value))

    @property
    def frames(self) -> int:
        """Number of frames used."""
        return len(self.labels)

    @property
    def sweep_rad(self) -> float:
        """Largest turn between two frames (rad)."""
        return float(np.ptp(self.turn_angles_rad))

    @property
    def sigma_rad(self) -> float:
        """Standard deviation along the worst direction (rad)."""
        return float(math.sqrt(np.linalg.eigvalsh(self.covariance_rad2)[-1]))

    @property
    def misfit_probability(self) -> float:
        """Probability of a chi-square this large by chance; 1 where nothing could be checked."""
        return chi2_survival(self.chi2, self.degrees_of_freedom)

    @property
    def consistent(self) -> bool:
        """True where the frames agree with one fixed axis."""
        return self.misfit_probability >= MISFIT_PROBABILITY


def chi2_survival(chi2: float, degrees_of_freedom: int) -> float:
    """Return the probability that a chi-square variable exceeds ``chi2``.

    Closed form for an even number of degrees of freedom, the only ones that attitudes give
    (Abramowitz & Stegun 26.4.21); odd ones by the same recursion from the error function.
    """
    if degrees_of_freedom <= 0:
        return 1.0
    half = 0.5 * max(chi2, 0.0)
    if half > 700.0:
        return 0.0
    if degrees_of_freedom % 2 == 0:
        term = total = math.exp(-half)
        first = 1
    else:
        total = math.erfc(math.sqrt(half))
        term = math.exp(-half) * math.sqrt(half / math.pi) * 2.0 if half > 0.0 else 0.0
        if degrees_of_freedom > 1:
            total += term
        first = 2
    if degrees_of_freedom % 2 == 0:
        for k in range(first, degrees_of_freedom // 2):
            term *= half / k
            total += term
    else:
        for k in range(first, (degrees_of_freedom + 1) // 2):
            term *= half / (k - 0.5)
            total += term
    return min(total, 1.0)
