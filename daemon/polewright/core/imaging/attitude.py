"""Attitude: how a camera was oriented against the stars, and how well that is known."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.geometry.arrays import settled


@dataclass(frozen=True, slots=True, kw_only=True)
class SolveHint:
    """What is believed beforehand; every part may be missing.

    Attributes
    ----------
    direction_icrs : tuple of 3 floats or None
        Unit vector toward which the camera is believed to point.
    direction_sigma_deg : float
        How wrong that may be (deg, one sigma).
    scale_arcsec_px : float or None
        Believed plate scale (arcsec per px of the frame as delivered).
    scale_sigma_fraction : float
        How wrong that may be (one sigma, fraction).
    mirrored : bool or None
        Believed parity; None: try both.
    radial : float
        The lens's cubic radial term as other frames showed it (see ``Attitude.radial``).
    """

    direction_icrs: tuple[float, float, float] | None = None
    direction_sigma_deg: float = 5.0
    scale_arcsec_px: float | None = None
    scale_sigma_fraction: float = 0.03
    mirrored: bool | None = None
    radial: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Attitude:
    """A solved frame.

    The camera frame is right-handed: x along the boresight (centre of the sensor), y along
    increasing column, z along increasing row, or along decreasing row where ``mirrored``.
    A vector turns by ``v_camera = camera_from_icrs @ v_icrs``.

    Attributes
    ----------
    camera_from_icrs : ndarray of shape (3, 3)
        Rotation to *astrometric* catalogue places (no aberration, no refraction), for hints and
        for display; the axis is measured from the matched stars below.
    covariance_camera_rad2 : ndarray of shape (3, 3)
        Covariance of the small right rotation about the camera's x (roll), y, z (rad^2).
    mid_exposure : datetime or None
        Aware UTC instant that the attitude belongs to.
    mid_exposure_sigma_s : float
        Its standard deviation (s).
    star_icrs : ndarray of shape (n, 3)
        Unit vectors of the matched stars: ICRS, proper motion applied to the frame's epoch.
    star_tangent : ndarray of shape (n, 2)
        The same stars as measured: tangent-plane offsets (column, parity x row) from the
        sensor's centre in px, distortion removed.
    star_sigma_px : ndarray of shape (n,)
        Standard deviation of each, per axis (px).
    star_px : ndarray of shape (n, 2)
        Measured pixel (column, row), for drawing.
    scale_arcsec_px : float
        Fitted plate scale at the centre (arcsec per px).
    mirrored : bool
        True where the picture shows the sky in a mirror.
    width_px, height_px : int
        Size of the frame.
    rms_arcsec : float
        Root mean square of the match residuals, both axes together (arcsec).
    solver : str
        Which solver answered.
    radial : float
        Cubic radial term k of the lens, already taken out of ``star_tangent``: ideal = measured
        (1 + k (r / half diagonal)^2).
    elongation : float
        How many times longer than wide the stars are (median); nan where not measured.  Trails
        are still centred, at the middle of the exposure, with a larger sigma.

    Notes
    -----
    A sensor that reads its rows one after another sees them up to its readout time apart.  Without
    tracking the sky moves 15 arcsec/s or less, so 20 to 50 ms shear the picture by under an
    arcsecond; with tracking by nothing.  It is not modelled.
    """

    camera_from_icrs: NDArray[np.float64]
    covariance_camera_rad2: NDArray[np.float64]
    mid_exposure: datetime | None
    mid_exposure_sigma_s: float
    star_icrs: NDArray[np.float64]
    star_tangent: NDArray[np.float64]
    star_sigma_px: NDArray[np.float64]
    star_px: NDArray[np.float64]
    scale_arcsec_px: float
    mirrored: bool
    width_px: int
    height_px: int
    rms_arcsec: float
    solver: str
    radial: float = 0.0
    elongation: float = float("nan")

    def __post_init__(self) -> None:
        """Freeze the arrays and refuse a left-handed matrix."""
        if np.linalg.det(self.camera_from_icrs) < 0.0:
            raise ValueError("camera_from_icrs is a reflection: un-mirror the picture first")
        for name in (
            "camera_from_icrs",
            "covariance_camera_rad2",
            "star_icrs",
            "star_tangent",
            "star_sigma_px",
            "star_px",
        ):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def boresight_icrs(self) -> NDArray[np.float64]:
        """Unit vector of the sensor's centre (ICRS, astrometric)."""
        return np.asarray(self.camera_from_icrs[0])

    @property
    def matched(self) -> int:
        """Number of matched stars."""
        return int(self.star_icrs.shape[0])
