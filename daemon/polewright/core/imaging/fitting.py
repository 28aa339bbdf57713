"""Fitting a camera: rotation, scale and one radial term from matched stars, with covariance."""

from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Matrix, rotation_from_vector
from polewright.core.geometry.wahba import camera_vectors, fit_rotation

Array = NDArray[np.float64]

MINIMUM_STARS = 3
"""Rotation and scale have four unknowns; two stars leave nothing to check, three leave two."""

RADIAL_MINIMUM_STARS = 15
"""Fewer stars do not tell a radial term from noise."""

_RADIAL_SIGNIFICANCE = 4.0
_GAUSS_NEWTON_STEPS = 2
_REJECTION_ROUNDS = 8
_REJECTION_LIMIT = 4.0  # robust sigmas of a two-dimensional residual: 3e-4 of good stars
_FACTORS_TRIED = 7
_FACTOR_PRIOR = 0.5  # of the logarithm of how far stars' variances fall short together
_RAYLEIGH_MEDIAN = 1.1774  # median length of a two-dimensional unit normal
_LARGEST_REJECTED_FRACTION = 0.34
_LARGEST_ROLL_VARIANCE_RAD2 = 0.1  # stars all in one spot leave the roll open


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraFit:
    """A camera fitted to matched stars.

    Attributes
    ----------
    camera_from_world : ndarray of shape (3, 3)
        Rotation of world unit vectors into the camera frame.
    covariance_rad2 : ndarray of shape (3, 3)
        Covariance of the small rotation about the camera's x (roll), y, z, scale and radial
        term marginalised, residual scatter beyond the stars' own sigma included (rad^2).
    scale_arcsec_px, scale_sigma_arcsec_px : float
        Plate scale at the centre and its standard deviation (arcsec per px).
    radial : float
        Cubic radial term k: ideal = measured (1 + k (r / ``radial_unit_px``)^2); the
        known one, or 0, if not fitted.
    radial_unit_px : float
        Radius at which ``radial`` is the fractional displacement (px).
    residuals_px : ndarray of shape (n, 2)
        Measured minus fitted place of every star given, rejected ones included (px).
    kept : ndarray of shape (n,)
        True where the star took part.
    floor_px : float
        Common term in quadrature that, with a common factor of the stars' own sigmas, explains
        the residuals (px).
    chi2 : float
        Sum of squared residuals over the stars' own variances (without the floor).
    dof : int
        Degrees of freedom.
    rms_px : float
        Root mean square residual of the kept stars, both axes together (px).
    """

    camera_from_world: Matrix
    covariance_rad2: Matrix
    scale_arcsec_px: float
    scale_sigma_arcsec_px: float
    radial: float
    radial_unit_px: float
    residuals_px: Array
    kept: NDArray[np.bool_]
    floor_px: float
    chi2: float
    dof: int
    rms_px: float


def fit_camera(
    star_tangent: Array,
    world_directions: Array,
    star_sigma_px: Array,
    *,
    scale_arcsec_px: float,
    radial_unit_px: float | None = None,
    known_radial: float = 0.0,
    reject: bool = True,
) -> CameraFit:
    """Return the weighted least-squares camera.

    Parameters
    ----------
    star_tangent : ndarray of shape (n, 2)
        Offsets from the sensor's centre along the camera's y and z (px).
    world_directions : ndarray of shape (n, 3)
        Unit vectors of the same stars.
    star_sigma_px : ndarray of shape (n,)
        Standard deviation of each centre, per axis (px).
    scale_arcsec_px : float
        Starting value, right to some per cent (arcsec per px).
    radial_unit_px : float, optional
        Give the half diagonal (px) to allow a radial term where the stars can tell it.
    known_radial : float, optional
        The lens's radial term as other frames showed it, used where these stars cannot tell it.
    reject : bool, optional
        Leave out stars far outside the scatter of the others.

    Raises
    ------
    MeasurementError
        ``too_few_stars``: under three, or all in one spot.
    """
    if len(star_tangent) < MINIMUM_STARS:
        _refuse(len(star_tangent))
    unit_px = radial_unit_px or 1.0
    work = _Work(
        star_tangent, world_directions, star_sigma_px, scale_arcsec_px, unit_px, known_radial
    )
    kept = np.ones(len(star_tangent), dtype=bool)
    with_radial = radial_unit_px is not None
    seen: set[bytes] = set()
    for rounds_left in reversed(range(_REJECTION_ROUNDS)):
        use_radial = with_radial and int(kept.sum()) >= RADIAL_MINIMUM_STARS
        solution = work.solve(kept, with_radial=use_radial)
        seen.add(kept.tobytes())
        if not reject or not rounds_left:
            break
        now = _inliers(solution.residuals_px, star_sigma_px, kept)
        if now.tobytes() in seen:  # settled, or going round between two sets
            break
        kept = now
    told = abs(solution.radial - known_radial) >= _RADIAL_SIGNIFICANCE * solution.radial_sigma
    if solution.radial_sigma and not told:
        solution = work.solve(kept, with_radial=False)
    chi2 = float((np.square(solution.residuals_px).sum(axis=1) / star_sigma_px**2)[kept].sum())
    return CameraFit(
        camera_from_world=solution.rotation,
        covariance_rad2=solution.covariance[:3, :3],
        scale_arcsec_px=solution.scale_arcsec_px,
        scale_sigma_arcsec_px=float(np.sqrt(solution.covariance[3, 3])) * solution.scale_arcsec_px,
        radial=solution.radial,
        radial_unit_px=unit_px,
        residuals_px=solution.residuals_px,
        kept=kept,
        floor_px=solution.floor_px,
        chi2=chi2,
        dof=solution.dof,
        rms_px=float(np.sqrt(np.square(solution.residuals_px[kept]).sum(axis=1).mean())),
    )


def _refuse(count: int) -> NoReturn:
    raise MeasurementError(
        f"{count} matched stars cannot fix the camera's attitude",
        remedy="Take a longer exposure, check the focus, or point at a richer field.",
        code="too_few_stars",
    )


def _inliers(residuals_px: Array, sigma_px: Array, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the stars inside a limit set by the median residual, with a guard on how many go."""
    length = np.hypot(residuals_px[:, 0], residuals_px[:, 1])
    own = length / np.hypot(sigma_px, _median_floor_px(length[kept], sigma_px[kept]))
    inside = own <= _REJECTION_LIMIT
    fewest = max(MINIMUM_STARS, int(np.ceil(len(own) * (1.0 - _LARGEST_REJECTED_FRACTION))))
    if int(inside.sum()) < fewest:
        inside = own <= np.sort(own)[fewest - 1]
    return np.asarray(inside)


def _median_floor_px(length_px: Array, sigma_px: Array) -> float:
    """Return the common term that explains the median residual; outliers hardly move it."""
    if float(np.median(length_px / sigma_px)) <= _RAYLEIGH_MEDIAN:
        return 0.0
    tried = float(np.median(length_px)) / _RAYLEIGH_MEDIAN * np.linspace(0.0, 2.0, 41)
    medians = np.median(length_px / np.hypot(sigma_px, tried[:, None]), axis=1)
    return float(tried[int(np.argmin(np.abs(medians - _RAYLEIGH_MEDIAN)))])


@dataclass(slots=True)
class _Solution:
    rotation: Matrix
    covariance: Array
    scale_arcsec_px: float
    radial: float
    radial_sigma: float
    residuals_px: Array
    floor_px: float
    dof: int


class _Work:
    """One set of stars, solved several times with different stars left out."""

    def __init__(
        self,
        tangent: Array,
        world: Array,
        sigma_px: Array,
        scale_arcsec_px: float,
        unit_px: float,
        known_radial: float,
    ) -> None:
        self._tangent = np.asarray(tangent, dtype=np.float64)
        self._world = np.asarray(world, dtype=np.float64)
        self._sigma_px = np.asarray(sigma_px, dtype=np.float64)
        self._start_scale = scale_arcsec_px
        self._known_radial = known_radial
        self._start_rotation: Matrix | None = None
        self._bend = (
            self._tangent * (np.square(self._tangent).sum(axis=1) / unit_px**2)[:, np.newaxis]
        )

    def solve(self, kept: NDArray[np.bool_], *, with_radial: bool) -> _Solution:
        unknowns = 5 if with_radial else 4
        dof = 2 * int(kept.sum()) - unknowns
        scale_rad = self._start_scale * ARCSEC_RAD
        if self._start_rotation is None:
            self._start_rotation, _ = fit_rotation(
                camera_vectors(
                    (self._tangent + self._known_radial * self._bend)[kept], self._start_scale
                ),
                self._world[kept],
                self._sigma_px[kept] * scale_rad,
            )
        rotation = self._start_rotation
        radial, factor, floor_px = self._known_radial, 1.0, 0.0
        normal = np.eye(unknowns)
        for step in range(8 * _GAUSS_NEWTON_STEPS):
            predicted, jacobian = self._model(rotation, scale_rad, with_radial=with_radial)
            residuals = self._tangent + radial * self._bend - predicted
            if step >= 1:  # the start's error is still in the first residuals
                factor, floor_px = _excess(residuals[kept], self._sigma_px[kept], dof)
            weights = 1.0 / (factor * np.square(self._sigma_px[kept]) + floor_px**2)
            rows = jacobian[kept]
            normal = np.einsum("nai,n,naj->ij", rows, weights, rows)
            gradient = np.einsum("nai,n,na->i", rows, weights, residuals[kept])
            try:
                change = np.linalg.solve(normal, gradient)
            except np.linalg.LinAlgError:
                _refuse(int(kept.sum()))
            rotation = rotation_from_vector(change[:3]) @ rotation
            scale_rad *= float(np.exp(change[3]))
            if with_radial:
                radial += float(change[4])
            if step >= _GAUSS_NEWTON_STEPS - 1 and _settled(change, normal):
                break
        predicted, _ = self._model(rotation, scale_rad, with_radial=with_radial)
        residuals = self._tangent + radial * self._bend - predicted
        self._start_rotation, self._start_scale = rotation, scale_rad / ARCSEC_RAD
        covariance: Array = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        if not 0.0 < float(covariance[0, 0]) < _LARGEST_ROLL_VARIANCE_RAD2:
            _refuse(int(kept.sum()))
        return _Solution(
            rotation=rotation,
            covariance=covariance,
            scale_arcsec_px=scale_rad / ARCSEC_RAD,
            radial=radial,
            radial_sigma=float(np.sqrt(covariance[4, 4])) if with_radial else 0.0,
            residuals_px=residuals,
            floor_px=floor_px,
            dof=dof,
        )

    def _model(
        self, rotation: Matrix, scale_rad: float, *, with_radial: bool
    ) -> tuple[Array, Array]:
        """Return predicted tangent places (px) and their derivatives, shape (n, 2, unknowns)."""
        camera = self._world @ rotation.T
        u, v = camera[:, 1] / camera[:, 0], camera[:, 2] / camera[:, 0]
        predicted = np.column_stack([u, v]) / scale_rad
        jacobian = np.zeros((len(u), 2, 5 if with_radial else 4))
        # A further small rotation w turns c into c + w x c; u = c_y / c_x, v = c_z / c_x.
        jacobian[:, 0, 0], jacobian[:, 0, 1], jacobian[:, 0, 2] = -v, -u * v, 1.0 + u * u
        jacobian[:, 1, 0], jacobian[:, 1, 1], jacobian[:, 1, 2] = u, -(1.0 + v * v), u * v
        jacobian[:, :, :3] /= scale_rad
        jacobian[:, :, 3] = -predicted
        if with_radial:
            jacobian[:, :, 4] = -self._bend
        return predicted, jacobian


def _settled(change: Array, normal: Array) -> bool:
    """Return whether a step is far below the solution's own sigma."""
    return float(change @ normal @ change) < 1e-8


def _excess(residuals_px: Array, sigma_px: Array, dof: int) -> tuple[float, float]:
    """Return by what the stars' variances must grow to explain the residuals.

    A factor and a common floor (px): faint stars' sigmas fall short by a part of themselves,
    the lens and unequal pixels add the same to all.  All pairs that bring chi-square to its
    expectation are compared by likelihood; few stars do not tell them apart, and then the
    factor stays near one.
    """
    squares = np.square(residuals_px).sum(axis=1)
    variances = np.square(sigma_px)
    chi2 = float((squares / variances).sum())
    if dof <= 0 or chi2 <= dof:
        return 1.0, 0.0
    factors = np.geomspace(1.0, chi2 / dof, _FACTORS_TRIED)
    floors = np.array([_floor_variance(squares, f * variances, dof) for f in factors])
    total = factors[:, None] * variances + floors[:, None]
    surprise = (squares / total + 2.0 * np.log(total)).sum(axis=1)
    surprise += np.square(np.log(factors) / _FACTOR_PRIOR)
    best = int(np.argmin(surprise))
    return float(factors[best]), float(np.sqrt(floors[best]))


def _floor_variance(squares: Array, variances: Array, dof: int) -> float:
    """Return the common term that, added to each variance, brings chi-square to its expectation."""
    if float((squares / variances).sum()) <= dof * (1.0 + 1e-9):
        return 0.0
    low, high = 0.0, float(squares.sum()) / dof
    for _ in range(3):  # each round narrows 16-fold: 1/4096 of the range is plenty for a floor
        tried = np.linspace(low, high, 17)
        chi2 = (squares / (variances + tried[:, None])).sum(axis=1)
        above = int(np.count_nonzero(chi2 > dof))
        low, high = tried[max(0, above - 1)], tried[min(16, above)]
    return 0.5 * (low + high)
