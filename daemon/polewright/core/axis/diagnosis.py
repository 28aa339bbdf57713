"""Diagnosis: what would explain frames that do not share one axis.

Each explanation adds a few unknowns to the survey's model, at each possible moment, and is
believed only where the misfit is then no more than chance.  Fewer unknowns win.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import MISFIT_PROBABILITY, chi2_survival
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import (
    DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    linearised_misfit,
    solve_axis,
)
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD

_FEWEST_FRAMES = 4
# Roll is blamed only where the directions alone can check themselves at least this much.
FEWEST_DIRECTION_CHECKS = 2


class Cause(StrEnum):
    """What may have happened."""

    DECLINATION_MOVED = "declination_moved"
    TRIPOD_MOVED = "tripod_moved"
    ROLL_UNTRUSTED = "roll_untrusted"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """The simplest explanation that fits.

    ``after_frame`` counts from 1: the fault happened after that frame; None where no moment is
    known.  ``size_arcsec`` is how far things moved.
    """

    cause: Cause
    after_frame: int | None = None
    size_arcsec: float | None = None

    @property
    def words(self) -> str:
        """What happened, for the person at the mount."""
        where = f" after frame {self.after_frame}" if self.after_frame else ""
        size = f" by about {self.size_arcsec:.0f} arcsec" if self.size_arcsec else ""
        match self.cause:
            case Cause.DECLINATION_MOVED:
                return f"the declination axis moved{size}{where}"
            case Cause.TRIPOD_MOVED:
                return f"the tripod or the mount moved{size}{where}"
            case Cause.ROLL_UNTRUSTED:
                return "the pictures do not roll with the axis, as if a rotator turned the camera"
            case Cause.UNKNOWN:
                return "the frames disagree, and no single cause explains it"

    @property
    def remedy(self) -> str:
        """What to do."""
        match self.cause:
            case Cause.DECLINATION_MOVED:
                return "Tighten the declination clamp, leave declination alone, survey again."
            case Cause.TRIPOD_MOVED:
                return "Check the tripod's feet, the clamps and the bolts, then survey again."
            case Cause.ROLL_UNTRUSTED:
                return 'Stop the rotator, or set [survey] use_roll = "no" and survey again.'
            case Cause.UNKNOWN:
                return "Check clamps, cables and tripod; wait for clear sky; then survey again."


def diagnose(
    attitudes: Sequence[ObservedAttitude],
    *,
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC,
) -> Diagnosis:
    """Return the simplest explanation of frames that do not share one axis."""
    if len(attitudes) < _FEWEST_FRAMES:
        return Diagnosis(cause=Cause.UNKNOWN)
    try:
        misfit = linearised_misfit(attitudes, mechanical_floor_arcsec)
    except MeasurementError:
        return _blame_roll_or_nothing(attitudes, mechanical_floor_arcsec)
    residuals, design, weights, models = misfit
    best: tuple[int, float, Diagnosis] | None = None
    for cause, after, columns in _explanations(models):
        unknowns, chi2, moved = _extended_fit(residuals, design, weights, columns)
        degrees_of_freedom = 2 * (len(attitudes) - 2) - unknowns
        if degrees_of_freedom < 1:
            continue
        if chi2_survival(chi2, degrees_of_freedom) < MISFIT_PROBABILITY:
            continue
        found = Diagnosis(cause=cause, after_frame=after, size_arcsec=moved / ARCSEC_RAD)
        if best is None or (unknowns, chi2) < best[:2]:
            best = (unknowns, chi2, found)
    if best is not None:
        return best[2]
    return _blame_roll_or_nothing(attitudes, mechanical_floor_arcsec)


def _blame_roll_or_nothing(
    attitudes: Sequence[ObservedAttitude], mechanical_floor_arcsec: float
) -> Diagnosis:
    if _directions_agree(attitudes, mechanical_floor_arcsec):
        return Diagnosis(cause=Cause.ROLL_UNTRUSTED)
    return Diagnosis(cause=Cause.UNKNOWN)


def _explanations(
    models: NDArray[np.float64],
) -> Iterator[tuple[Cause, int, NDArray[np.float64]]]:
    """Yield each cause at each moment with its columns (n, 3, m) in the frames' residuals."""
    count = len(models)
    # Right ascension turns between the models: its axis, in each camera's own frame, is common.
    turn = models[-1] @ models[0].T
    axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    in_camera = models[0].T @ (axis / np.linalg.norm(axis))
    declination = np.cross(in_camera, [1.0, 0.0, 0.0])
    length = float(np.linalg.norm(declination))
    for after in range(1, count):
        later = np.arange(count) >= after
        if length > 1e-3:
            columns = np.zeros((count, 3, 1))
            columns[later, :, 0] = declination / length
            yield Cause.DECLINATION_MOVED, after, columns
        columns = np.zeros((count, 3, 3))
        columns[later] = np.transpose(models[later], (0, 2, 1))
        yield Cause.TRIPOD_MOVED, after, columns


def _extended_fit(
    residuals: NDArray[np.float64],
    design: NDArray[np.float64],
    weights: NDArray[np.float64],
    columns: NDArray[np.float64],
) -> tuple[int, float, float]:
    """Return the number of unknowns gained, chi-square and the size of the motion (rad)."""
    roots = np.linalg.cholesky(weights)
    white_residuals = np.einsum("nji,nj->ni", roots, residuals).ravel()
    white_design = np.einsum("nji,njk->nik", roots, design).reshape(len(white_residuals), -1)
    white_columns = np.einsum("nji,njk->nik", roots, columns).reshape(len(white_residuals), -1)
    whole = np.hstack([white_design, white_columns])
    solution, _, rank, _ = np.linalg.lstsq(whole, white_residuals, rcond=1e-9)
    left = white_residuals - whole @ solution
    return (
        int(rank) - white_design.shape[1],
        float(left @ left),
        float(np.linalg.norm(solution[white_design.shape[1] :])),
    )


def _directions_agree(
    attitudes: Sequence[ObservedAttitude], mechanical_floor_arcsec: float
) -> bool:
    try:
        estimate = solve_axis(
            attitudes, mechanical_floor_arcsec=mechanical_floor_arcsec, use_roll=False
        )
    except MeasurementError:
        return False
    return estimate.degrees_of_freedom >= FEWEST_DIRECTION_CHECKS and estimate.consistent
