"""Solving one frame: find stars, propose a camera, prove it star by star, fit it.

The pattern library only proposes.  Every catalogue star in the field is matched again here, the
camera is fitted by our own least squares, and an answer is given only if chance cannot explain
the matches.
"""

import logging
import math
from typing import Any

import numpy as np

from polewright.adapters.solver.catalogue import julian_year
from polewright.adapters.solver.proving import Proof, StarSource, attitude_of, convincing, prove
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.matching import CameraGuess, tangent_from_pixels, undistorted
from polewright.core.imaging.stars import StarList, is_trailed

LOG = logging.getLogger(__name__)

SOLVER_NAME = "embedded"
MINIMUM_FOUND = 6
"""Fewer found stars are not even tried."""

_STARS_PROPOSED = 150
_FIRST_CHECKING_STARS = 24
_SECOND_CHECKING_STARS = 45
_FIRST_TIMEOUT_MS = 1000
_SECOND_TIMEOUT_MS = 3000
_SMALLEST_SCALE_TOLERANCE = 0.02
_LARGEST_SCALE_TOLERANCE = 0.10
_EXPOSE_REMEDY = (
    "Take the lens cap off, check focus and clouds, expose longer, or point at more stars."
)


def hinted_scale_arcsec_px(frame: Frame, hint: SolveHint) -> float:
    """Return the believed plate scale (arcsec per px): the hint's, else from the optics.

    Raises
    ------
    MeasurementError
        ``no_scale``: nothing says how large a pixel is on the sky.
    """
    if hint.scale_arcsec_px:
        return hint.scale_arcsec_px
    if frame.pixel_size_um and frame.focal_length_mm:
        return math.atan(frame.pixel_size_um * 1e-3 / frame.focal_length_mm) / ARCSEC_RAD
    raise MeasurementError(
        "the picture's scale is unknown: neither focal length and pixel size nor a field of view",
        remedy="Set the focal length and the pixel size of the camera, or give --fov DEGREES.",
        code="no_scale",
    )


def scale_from_field(field_deg: float, width_px: int) -> float:
    """Return the scale at the centre (arcsec per px) of a frame this wide (deg, gnomonic)."""
    return 2.0 * math.tan(math.radians(field_deg) / 2.0) / width_px / ARCSEC_RAD


def field_from_scale(scale_arcsec_px: float, width_px: int) -> float:
    """Return the width of the frame on the sky (deg)."""
    return math.degrees(2.0 * math.atan(0.5 * width_px * scale_arcsec_px * ARCSEC_RAD))


def solve_frame(frame: Frame, hint: SolveHint, *, database: Any, catalogue: StarSource) -> Attitude:
    """Return the attitude of a frame, or refuse.

    Parameters
    ----------
    frame : Frame
        The picture.
    hint : SolveHint
        What is believed; only the scale must be known, from here or from the frame.
    database : tetra3rs.SolverDatabase
        Patterns for the frame's field of view.
    catalogue : StarSource
        All stars.

    Raises
    ------
    MeasurementError
        ``too_few_stars``, ``no_solution`` or ``no_scale``.
    """
    return solve_stars(find_stars(frame), frame, hint, database=database, catalogue=catalogue)


def solve_stars(
    stars: StarList, frame: Frame, hint: SolveHint, *, database: Any, catalogue: StarSource
) -> Attitude:
    """Return the attitude of a frame whose stars are already found; see :func:`solve_frame`."""
    scale = hinted_scale_arcsec_px(frame, hint)
    refuse_too_few(stars)
    tolerance = scale_tolerance(hint)
    year = julian_year(frame.mid_exposure)
    best: Proof | None = None
    for checking_stars, timeout_ms in (
        (_FIRST_CHECKING_STARS, _FIRST_TIMEOUT_MS),
        (_SECOND_CHECKING_STARS, _SECOND_TIMEOUT_MS),
    ):
        guess = _propose(stars, database, scale, tolerance, hint, checking_stars, timeout_ms)
        if guess is None:
            continue
        proof = prove(stars, guess, catalogue, year, hint, tolerance)
        if proof is not None and convincing(proof):
            return attitude_of(frame, stars, proof, SOLVER_NAME)
        best = proof or best
    raise no_solution(stars, scale, best)


def scale_tolerance(hint: SolveHint) -> float:
    """Return how far the scale may be off (fraction): three sigmas within limits."""
    three_sigmas = 3.0 * hint.scale_sigma_fraction
    return float(np.clip(three_sigmas, _SMALLEST_SCALE_TOLERANCE, _LARGEST_SCALE_TOLERANCE))


def refuse_too_few(stars: StarList) -> None:
    """Raise ``too_few_stars`` where there is nothing to try."""
    if len(stars) < MINIMUM_FOUND:
        raise MeasurementError(
            f"only {len(stars)} stars are seen, {MINIMUM_FOUND} or more are needed",
            remedy=_EXPOSE_REMEDY,
            code="too_few_stars",
        )


def no_solution(stars: StarList, scale_arcsec_px: float, best: Proof | None) -> MeasurementError:
    """Return the refusal of stars that no attitude explains."""
    detail = f" (the best try matched {len(best.matching.found)})" if best else ""
    trails = ""
    if is_trailed(stars.elongation):
        detail += f"; they are {stars.elongation:.1f} times longer than wide"
        trails = "Let the mount stand still or track while the shutter is open. "
    return MeasurementError(
        f"{len(stars)} bright points are seen, but they are not the stars of any part of the sky"
        f" at {scale_arcsec_px:.2f} arcsec per pixel{detail}",
        remedy=f"{trails}Check the focal length and pixel size, the focus, and that trees, roofs "
        "or clouds do not fill the picture; then try again.",
        code="no_solution",
    )


def _propose(
    stars: StarList,
    database: Any,
    scale_arcsec_px: float,
    tolerance: float,
    hint: SolveHint,
    checking_stars: int,
    timeout_ms: int,
) -> CameraGuess | None:
    """Ask the pattern library for a camera."""
    field_deg = field_from_scale(scale_arcsec_px, stars.width_px)
    offsets = tangent_from_pixels(
        stars.x_px, stars.y_px, stars.width_px, stars.height_px, mirrored=False
    )
    half_diagonal_px = 0.5 * math.hypot(stars.width_px, stars.height_px)
    offsets = undistorted(offsets, hint.radial, half_diagonal_px)
    centroids = np.column_stack([offsets, stars.flux])[:_STARS_PROPOSED]
    answer = database.solve_from_centroids(
        centroids,
        fov_estimate_deg=field_deg,
        image_width=stars.width_px,
        image_height=stars.height_px,
        fov_max_error_deg=tolerance * field_deg,
        solve_timeout_ms=timeout_ms,
        pattern_checking_stars=checking_stars,
    )
    if not answer:
        LOG.debug("no proposal: %s after %.0f ms", answer.status, answer.solve_time_ms)
        return None
    theirs = np.asarray(answer.rotation_matrix_icrs_to_camera, dtype=np.float64)
    # Theirs: x right, y down, z forward; in a mirrored picture x is turned over.
    mirrored = bool(answer.parity_flip)
    if mirrored:
        rotation = np.vstack([theirs[2], -theirs[0], -theirs[1]])
    else:
        rotation = np.vstack([theirs[2], theirs[0], theirs[1]])
    return CameraGuess(
        camera_from_icrs=rotation,
        scale_arcsec_px=scale_from_field(float(answer.fov_deg), stars.width_px),
        mirrored=mirrored,
    )
