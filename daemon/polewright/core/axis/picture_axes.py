"""Picture axes: which way right ascension and declination run in a picture without stars.

By day no star tells how the camera is turned.  So the mount moves by a little each way and the
body's own move in the picture shows it: scale, roll and mirror at once.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from polewright.core.errors import MeasurementError
from polewright.core.geometry.arrays import settled

Array = NDArray[np.float64]

# A lens images the two axes alike and squarely; more off than this is a mount that did not move
# as it said (play in the gears, a finger on the tube).
_LARGEST_ANISOTROPY = 0.08
# The scale that settings and camera say may be wrong by so much: a reducer, a barlow is more.
_LARGEST_SCALE_ERROR = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """Where a body stood in a picture, and where the mount said that it was from where it points.

    Attributes
    ----------
    x_px, y_px : float
        Centre of the body (column, row).
    west_rad, north_rad : float
        The body's hour angle (times the cosine of its declination) and declination less the
        mount's (rad).
    """

    x_px: float
    y_px: float
    west_rad: float
    north_rad: float


@dataclass(frozen=True, slots=True, eq=False)
class PictureAxes:
    """Turns steps in a picture into steps along the mount's axes.

    Attributes
    ----------
    matrix_rad_px : ndarray of shape (2, 2)
        (west, north) in rad from (column, row) in px.
    relative_sigma : float
        How wrong it is, as a part of a step.
    """

    matrix_rad_px: Array
    relative_sigma: float = 0.0

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "matrix_rad_px", settled(self.matrix_rad_px))

    @classmethod
    def learned(
        cls,
        seen: Sequence[Placed],
        expected_scale_rad_px: float | None = None,
        *,
        sigma_rad: float = 0.0,
    ) -> Self:
        """Return the axes that three or more pictures show.

        Parameters
        ----------
        seen : sequence of Placed
            One body, the mount moved in between along both axes.
        expected_scale_rad_px : float, optional
            What settings and camera say of the scale (rad/px).
        sigma_rad : float
            How well the mount goes where it says (rad).

        Raises
        ------
        MeasurementError
            ``moved_otherwise``: the body did not move in the picture as the mount said it moved;
            ``scale_otherwise``: it did, at another scale than the settings say.
        """
        first = seen[0]
        pixels = np.array([[one.x_px - first.x_px, one.y_px - first.y_px] for one in seen[1:]])
        moves = np.array(
            [[one.west_rad - first.west_rad, one.north_rad - first.north_rad] for one in seen[1:]]
        )
        singular = np.linalg.svd(pixels, compute_uv=False)
        if len(seen) < 3 or singular[-1] < 0.2 * singular[0]:
            raise _moved_otherwise()
        matrix = np.linalg.lstsq(pixels, moves, rcond=None)[0].T
        large, small = np.linalg.svd(matrix, compute_uv=False)
        if small < (1.0 - _LARGEST_ANISOTROPY) * large:
            raise _moved_otherwise()
        shortest_rad = float(np.linalg.svd(moves, compute_uv=False)[-1])
        axes = cls(np.asarray(matrix), math.sqrt(2.0) * sigma_rad / shortest_rad)
        expected = expected_scale_rad_px
        if expected and abs(axes.scale_rad_px / expected - 1.0) > _LARGEST_SCALE_ERROR:
            raise MeasurementError(
                f"the pictures show {math.degrees(axes.scale_rad_px) * 3600.0:.2f} arcsec per "
                f"pixel, the settings say {math.degrees(expected) * 3600.0:.2f}",
                remedy="Set [camera] focal_length_mm and pixel_size_um to what is on the mount, "
                "and look that nothing but the mount moves.",
                code="scale_otherwise",
            )
        return axes

    @property
    def scale_rad_px(self) -> float:
        """Plate scale (rad/px)."""
        return math.sqrt(abs(float(np.linalg.det(self.matrix_rad_px))))

    def turned_over(self) -> "PictureAxes":
        """Return the axes on the other side of the pier: the camera lies the other way round."""
        return PictureAxes(-np.asarray(self.matrix_rad_px), self.relative_sigma)

    def offset_rad(self, columns_px: float, rows_px: float) -> tuple[float, float]:
        """Return how far west and north (rad) a step in the picture goes."""
        west, north = self.matrix_rad_px @ np.array([columns_px, rows_px])
        return float(west), float(north)


def _moved_otherwise() -> MeasurementError:
    return MeasurementError(
        "the body did not move in the picture as the mount said that it moved",
        remedy="Look that the mount's clutches are tight, that nothing is caught, that clouds are "
        "gone; then take the sight again.",
        code="moved_otherwise",
    )
