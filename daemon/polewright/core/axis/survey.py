"""Survey: the polar axis from frames taken at several turns about it, by maximum likelihood.

Model: ``E_i = R(a, theta_i) E_0 exp(n_i)`` with ``E_i`` the observed attitudes
(ground from camera), one fixed axis ``a``, one attitude ``E_0`` and one free turn per further
frame, so that tracking, periodic error and backlash in right ascension drop out.  The noise
``n_i`` is anisotropic: roll about the boresight is far less certain than the direction.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import (
    SUSPICIOUS_MISFIT_PROBABILITY,
    AxisEstimate,
    chi2_survival,
)
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD, sky_tangents, unit
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    cross_matrix,
    rotation_about,
    rotation_from_vector,
    vector_from_rotation,
)

# Real mounts wander by about this much from frame to frame (wind, focuser, declination play);
# leaving it out of the weights makes the answer up to twice as bad (common practice, no source).
DEFAULT_MECHANICAL_FLOOR_ARCSEC = 3.0

# Below this turn the axis hardly shows in the frames.
SMALLEST_SWEEP_RAD = np.deg2rad(3.0)

# Directions nearer to each other than this hardly bend into a circle.
_SMALLEST_SPREAD_RAD = np.deg2rad(1.0)

# Pairs turned by nearly half a turn have a rotation vector of doubtful sign.
_LARGEST_PAIR_RAD = np.deg2rad(170.0)

# Wider than any roll: it then has no say.
_UNKNOWN_ROLL_RAD = 1.0e3

_MOST_STEPS = 30
_CONVERGED_RAD = 1e-12
# Leaving one frame out shows which one is wrong only where the rest still checks itself so often:
# with a single check left, another frame than the wrong one may be left out and nothing shows.
_FEWEST_TO_PLACE_A_FAULT = 4
_FEWEST_CHECKS_OF_THE_REST = 2


@dataclass(frozen=True, slots=True)
class _Fit:
    axis: Vector
    first_attitude: Matrix
    turns_rad: NDArray[np.float64]
    residuals: NDArray[np.float64]
    chi2: float
    covariance: NDArray[np.float64]


def solve_axis(
    attitudes: Sequence[ObservedAttitude],
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    use_roll: bool = True,
) -> AxisEstimate:
    """Return the axis about which the camera turned between the frames.

    Parameters
    ----------
    attitudes : sequence of ObservedAttitude
        Two or more; the declination axis untouched between them.
    mechanical_floor_arcsec : float
        Wander per frame and axis that is added to the star noise (arcsec, one sigma).
    use_roll : bool
        False where the pictures' roll cannot be trusted (a field rotator that moves, a camera
        whose picture does not turn with the axis): the directions alone decide, which needs
        three frames and a wider sweep.

    Returns
    -------
    AxisEstimate
        Check ``consistent`` before believing it.

    Raises
    ------
    MeasurementError
        ``too_few_frames``, ``turn_too_small`` or ``no_convergence``.
    """
    if len(attitudes) < 2:
        raise MeasurementError(
            f"{len(attitudes)} solved frame does not show an axis",
            remedy="Take at least two more with the mount turned in right ascension.",
            code="too_few_frames",
        )
    if len(attitudes) < 3 and not use_roll:
        raise MeasurementError(
            "two directions without roll do not show an axis",
            remedy="Take at least one more frame with the mount turned in right ascension.",
            code="too_few_frames",
        )
    observed = np.stack([attitude.enu_from_camera for attitude in attitudes])
    weights = frame_weights(attitudes, mechanical_floor_arcsec, use_roll=use_roll)
    start = _start_axis(observed) if use_roll else _start_circle(observed)
    fit = _maximise(observed, weights, start, use_roll=use_roll)
    degrees_of_freedom = 2 * (len(attitudes) - 2) if use_roll else len(attitudes) - 3
    covariance = fit.covariance * _enlargement(fit.chi2, degrees_of_freedom)
    # The axis in the camera's own frame: u = E_0^T a, so du = E_0^T (da + a x beta).
    east, up = sky_tangents(fit.axis)
    to_camera = fit.first_attitude.T @ np.column_stack([east, up, cross_matrix(fit.axis)])
    return AxisEstimate(
        axis_enu=fit.axis,
        covariance_rad2=covariance[:2, :2],
        chi2=fit.chi2,
        degrees_of_freedom=degrees_of_freedom,
        residuals_arcsec=fit.residuals / ARCSEC_RAD,
        turn_angles_rad=fit.turns_rad,
        axis_camera=fit.first_attitude.T @ fit.axis,
        axis_camera_covariance_rad2=to_camera @ covariance[:5, :5] @ to_camera.T,
        axis_cross_covariance_rad2=to_camera @ covariance[:5, :2],
        instant=max(attitude.instant for attitude in attitudes),
        labels=tuple(attitude.label for attitude in attitudes),
        roll_used=use_roll,
    )


def frame_weights(
    attitudes: Sequence[ObservedAttitude], mechanical_floor_arcsec: float, *, use_roll: bool = True
) -> NDArray[np.float64]:
    """Return the inverse covariances (n, 3, 3) of the frames, mechanical wander included."""
    extra = np.eye(3) * (mechanical_floor_arcsec * ARCSEC_RAD) ** 2
    if not use_roll:
        extra[0, 0] += _UNKNOWN_ROLL_RAD**2
    return np.stack(
        [np.linalg.inv(attitude.covariance_camera_rad2 + extra) for attitude in attitudes]
    )


def expected_covariance(
    first: ObservedAttitude,
    axis_enu: Vector,
    turns_rad: Sequence[float],
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    use_roll: bool = True,
) -> NDArray[np.float64]:
    """Return the covariance (2 x 2, rad^2) that a survey with these turns would reach.

    The Fisher information of the model, every frame as good as the first.

    Parameters
    ----------
    first : ObservedAttitude
        The first frame, at turn 0.
    axis_enu : ndarray of shape (3,)
        Where the axis is believed to be; a few degrees do not matter.
    turns_rad : sequence of float
        Turn of each frame, the first 0 (rad).
    """
    turns = np.asarray(turns_rad, dtype=np.float64)
    models = np.stack(
        [rotation_about(axis_enu, float(turn)) @ first.enu_from_camera for turn in turns]
    )
    weights = frame_weights([first], mechanical_floor_arcsec, use_roll=use_roll)
    _, design = _linearise(models, axis_enu, first.enu_from_camera, turns)
    normal = np.einsum("nij,ik,nkl->jl", design, weights[0], design)
    normal = _held(normal, first.enu_from_camera, weights, use_roll=use_roll)
    return np.asarray(np.linalg.inv(normal)[:2, :2])


def solve_axis_robustly(
    attitudes: Sequence[ObservedAttitude],
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    use_roll: bool = True,
) -> AxisEstimate:
    """Return the axis, leaving out the one frame that does not fit where it can be placed.

    With four or more frames a misfit is tried to be explained by one wrong frame (leave one
    out by chi-square).  The frames that remain must still check each other, at three or more
    different turns.  The last frame is never left out: a frame that alone disagrees with all
    before it may as well be the first after something moved, and only a later one can tell.  So
    where the frames agree without the last one too, none is left out.
    Where the fault cannot be placed the inconsistent estimate is returned, and the caller takes
    another frame, at another turn.

    Raises
    ------
    MeasurementError
        As :func:`solve_axis`.
    """

    def solve(chosen: Sequence[ObservedAttitude]) -> AxisEstimate:
        return solve_axis(
            chosen, mechanical_floor_arcsec=mechanical_floor_arcsec, use_roll=use_roll
        )

    whole = solve(attitudes)
    if whole.consistent or len(attitudes) < _FEWEST_TO_PLACE_A_FAULT:
        return whole
    trials: dict[int, AxisEstimate] = {}
    for index, suspect in enumerate(attitudes):
        rest = [*attitudes[:index], *attitudes[index + 1 :]]
        try:
            estimate = solve(rest)
        except MeasurementError:
            continue
        checked = estimate.degrees_of_freedom >= _FEWEST_CHECKS_OF_THE_REST
        if checked and estimate.consistent and different_turns(estimate.turn_angles_rad) >= 3:
            trials[index] = replace(estimate, rejected=(suspect.label,))
    if len(attitudes) - 1 in trials:
        return whole
    return min(trials.values(), key=lambda trial: trial.chi2, default=whole)


def _enlargement(chi2: float, degrees_of_freedom: int) -> float:
    """Return by what the covariance grows where the misfit is more than chance.

    Growing it at every chi-square above its expectation would report sigmas that are too large
    by 8 percent with three frames, where half of all good surveys lie above.
    """
    if chi2_survival(chi2, degrees_of_freedom) >= SUSPICIOUS_MISFIT_PROBABILITY:
        return 1.0
    return chi2 / degrees_of_freedom


def different_turns(turns_rad: NDArray[np.float64]) -> int:
    """Return how many of the turns are really different places."""
    gaps = np.diff(np.sort(turns_rad))
    return 1 + int(np.sum(gaps > SMALLEST_SWEEP_RAD))


def linearised_misfit(
    attitudes: Sequence[ObservedAttitude], mechanical_floor_arcsec: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return residuals, design, weights and model attitudes of the best single axis.

    For asking what else would explain the residuals (:mod:`polewright.core.axis.diagnosis`).
    """
    observed = np.stack([attitude.enu_from_camera for attitude in attitudes])
    weights = frame_weights(attitudes, mechanical_floor_arcsec)
    fit = _maximise(observed, weights, _start_axis(observed))
    residuals, design = _linearise(observed, fit.axis, fit.first_attitude, fit.turns_rad)
    models = np.stack(
        [rotation_about(fit.axis, float(turn)) @ fit.first_attitude for turn in fit.turns_rad]
    )
    return residuals, design, weights, models


def _start_axis(observed: NDArray[np.float64]) -> Vector:
    """Return the angle-weighted mean of the pairwise rotation vectors, elevated end."""
    total = np.zeros(3)
    largest = 0.0
    for later in range(1, len(observed)):
        for earlier in range(later):
            turn = vector_from_rotation(observed[later] @ observed[earlier].T)
            angle = float(np.linalg.norm(turn))
            if angle > _LARGEST_PAIR_RAD:
                continue
            largest = max(largest, angle)
            total += turn if float(turn @ total) >= 0.0 else -turn
    if largest < SMALLEST_SWEEP_RAD:
        raise MeasurementError(
            f"the camera turned by only {np.rad2deg(largest):.2f} deg between the frames, "
            "which does not show the axis",
            remedy="Turn the mount in right ascension by 30 deg or more between frames.",
            code="turn_too_small",
        )
    axis = unit(total)
    return axis if axis[2] >= 0.0 else -axis


def _start_circle(observed: NDArray[np.float64]) -> Vector:
    """Return the normal of the plane that lies best through the boresights, elevated end."""
    boresights = observed[:, :, 0]
    spread = math.acos(max(-1.0, min(1.0, float(np.min(boresights @ boresights.T)))))
    if spread < _SMALLEST_SPREAD_RAD:
        raise MeasurementError(
            f"the camera looked in directions only {np.rad2deg(spread):.2f} deg apart, which does "
            "not show the axis without the pictures' roll",
            remedy="Turn farther in right ascension, at a lower declination.",
            code="turn_too_small",
        )
    _, _, rows = np.linalg.svd(boresights - boresights.mean(axis=0))
    normal = np.asarray(rows[2])
    return normal if normal[2] >= 0.0 else -normal


def _maximise(
    observed: NDArray[np.float64],
    weights: NDArray[np.float64],
    axis: Vector,
    *,
    use_roll: bool = True,
) -> _Fit:
    """Gauss-Newton over axis (2), first attitude (3) and turns (n - 1)."""
    count = len(observed)
    first = observed[0]
    turns = np.array([_turn_about(axis, first[:, 0], attitude[:, 0]) for attitude in observed])
    for _ in range(_MOST_STEPS):
        residuals, design = _linearise(observed, axis, first, turns, use_roll=use_roll)
        weighted = np.einsum("nij,njk->nik", weights, design)
        normal = np.einsum("nij,nik->jk", design, weighted)
        gradient = np.einsum("nij,ni->j", weighted, residuals)
        normal = _held(normal, first, weights, use_roll=use_roll)
        try:
            step = np.linalg.solve(normal, gradient)
        except np.linalg.LinAlgError:
            break
        east, up = sky_tangents(axis)
        axis = unit(rotation_from_vector(step[1] * east - step[0] * up) @ axis)
        first = rotation_from_vector(step[2:5]) @ first
        turns[1:] += step[5:]
        if float(np.max(np.abs(step))) < _CONVERGED_RAD:
            residuals, design = _linearise(observed, axis, first, turns, use_roll=use_roll)
            normal = np.einsum("nij,nik->jk", design, np.einsum("nij,njk->nik", weights, design))
            normal = _held(normal, first, weights, use_roll=use_roll)
            chi2 = float(np.einsum("ni,nij,nj->", residuals, weights, residuals))
            covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
            return _Fit(axis, first, turns, residuals, chi2, covariance)
    raise MeasurementError(
        f"the {count} frames do not settle on one axis",
        remedy="Check that only right ascension was turned, then survey again.",
        code="no_convergence",
    )


def _held(
    normal: NDArray[np.float64],
    first: Matrix,
    weights: NDArray[np.float64],
    *,
    use_roll: bool,
) -> NDArray[np.float64]:
    """Hold the first attitude's roll where nothing can tell it; nothing else depends on it."""
    if use_roll:
        return normal
    held = normal.copy()
    held[2:5, 2:5] += float(np.max(weights)) * np.outer(first[:, 0], first[:, 0])
    return held


def _turn_about(axis: Vector, before: Vector, after: Vector) -> float:
    """Return the angle about an axis from one direction to another (rad)."""
    return math.atan2(
        float(axis @ np.cross(before, after)),
        float(before @ after) - float(axis @ before) * float(axis @ after),
    )


def _linearise(
    observed: NDArray[np.float64],
    axis: Vector,
    first: Matrix,
    turns_rad: NDArray[np.float64],
    *,
    use_roll: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return residuals (n, 3) in the camera frames and their design (n, 3, n + 4).

    A change (alpha of the axis, beta of the first attitude, dtheta) turns model i on the left by
    ``(I - R_i) alpha + R_i beta + dtheta_i a``.
    """
    count = len(observed)
    east, up = sky_tangents(axis)
    axis_turns = np.column_stack([-up, east])
    residuals = np.empty((count, 3))
    design = np.zeros((count, 3, count + 4))
    for index in range(count):
        turn = rotation_about(axis, float(turns_rad[index]))
        model = turn @ first
        if use_roll:
            residuals[index] = vector_from_rotation(model.T @ observed[index])
        else:
            # A small rotation r carries the boresight (1, 0, 0) to (1, r_z, -r_y).
            _, along_y, along_z = model.T @ observed[index][:, 0]
            residuals[index] = (0.0, -along_z, along_y)
        design[index, :, :2] = model.T @ ((np.eye(3) - turn) @ axis_turns)
        design[index, :, 2:5] = model.T @ turn
        if index:
            design[index, :, 4 + index] = model.T @ axis
    return residuals, design
