"""Solving one frame: find stars, propose a camera, prove it star by star, fit it.

The pattern library only proposes.  Every catalogue star in the field is matched again here, the
camera is fitted by our own least squares, and an answer is given only if chance cannot explain
the matches.
"""

import logging
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.adapters.solver.catalogue import Catalogue, julian_year
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.fitting import CameraFit, fit_camera
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.matching import (
    CameraGuess,
    Matching,
    log10_attitudes,
    log10_chance,
    match,
    tangent_from_pixels,
    undistorted,
)
from polewright.core.imaging.stars import StarList

LOG = logging.getLogger(__name__)

SOLVER_NAME = "embedded"
MINIMUM_FOUND = 6
"""Fewer found stars are not even tried."""

MINIMUM_MATCHED = 6
"""Fewer matched stars are no answer, however well they fit."""

LARGEST_LOG10_FALSE_ALARM = -4.0
"""Most that chance may expect, over every camera that the search could have tried."""

_STARS_PROPOSED = 150
_FIRST_CHECKING_STARS = 24
_SECOND_CHECKING_STARS = 45
_FIRST_TIMEOUT_MS = 1000
_SECOND_TIMEOUT_MS = 3000
_SMALLEST_SCALE_TOLERANCE = 0.02
_LARGEST_SCALE_TOLERANCE = 0.10
_FIRST_RADIUS_FRACTION = 0.006  # of the width: lens distortion and the proposal's own error
_LARGEST_FINAL_RADIUS_PX = 3.0
_SMALLEST_FINAL_RADIUS_PX = 1.2
_RADIUS_RMS = 3.5
_BRIGHT_STARS = 12
_LEAST_BRIGHT_FRACTION = 0.3
_OVERWHELMING_LOG10_FALSE_ALARM = -12.0
_LEAST_BRIGHT_FRACTION_THEN = 0.15  # half the sky may be behind a roof or a tree
_LARGEST_RMS_OF_RADIUS = 0.55  # chance matches are uniform in the disc: 0.71
_EXPOSE_REMEDY = (
    "Take the lens cap off, check focus and clouds, expose longer, or point at more stars."
)


@dataclass(frozen=True, slots=True, eq=False)
class _Proof:
    """A fitted camera and the evidence for it."""

    guess: CameraGuess
    matching: Matching
    fit: CameraFit
    icrs: NDArray[np.float64]
    log10_false_alarm: float
    bright_found: float
    bright_catalogue: float


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


def solve_frame(frame: Frame, hint: SolveHint, *, database: Any, catalogue: Catalogue) -> Attitude:
    """Return the attitude of a frame, or refuse.

    Parameters
    ----------
    frame : Frame
        The picture.
    hint : SolveHint
        What is believed; only the scale must be known, from here or from the frame.
    database : tetra3rs.SolverDatabase
        Patterns for the frame's field of view.
    catalogue : Catalogue
        All stars.

    Raises
    ------
    MeasurementError
        ``too_few_stars``, ``no_solution`` or ``no_scale``.
    """
    return solve_stars(find_stars(frame), frame, hint, database=database, catalogue=catalogue)


def solve_stars(
    stars: StarList, frame: Frame, hint: SolveHint, *, database: Any, catalogue: Catalogue
) -> Attitude:
    """Return the attitude of a frame whose stars are already found; see :func:`solve_frame`."""
    scale = hinted_scale_arcsec_px(frame, hint)
    if len(stars) < MINIMUM_FOUND:
        raise MeasurementError(
            f"only {len(stars)} stars are seen, {MINIMUM_FOUND} or more are needed",
            remedy=_EXPOSE_REMEDY,
            code="too_few_stars",
        )
    tolerance = float(
        np.clip(
            3.0 * hint.scale_sigma_fraction, _SMALLEST_SCALE_TOLERANCE, _LARGEST_SCALE_TOLERANCE
        )
    )
    year = julian_year(frame.mid_exposure)
    best: _Proof | None = None
    for checking_stars, timeout_ms in (
        (_FIRST_CHECKING_STARS, _FIRST_TIMEOUT_MS),
        (_SECOND_CHECKING_STARS, _SECOND_TIMEOUT_MS),
    ):
        guess = _propose(stars, database, scale, tolerance, checking_stars, timeout_ms)
        if guess is None:
            continue
        proof = _prove(stars, guess, catalogue, year, hint, tolerance)
        if proof is not None and _convincing(proof):
            return _attitude(frame, stars, proof)
        best = proof or best
    detail = f" (the best try matched {len(best.matching.found)})" if best else ""
    raise MeasurementError(
        f"{len(stars)} bright points are seen, but they are not the stars of any part of the sky"
        f" at {scale:.2f} arcsec per pixel{detail}",
        remedy="Check the focal length and pixel size, the focus, and that trees, roofs or clouds "
        "do not fill the picture; then try again.",
        code="no_solution",
    )


def _propose(
    stars: StarList,
    database: Any,
    scale_arcsec_px: float,
    tolerance: float,
    checking_stars: int,
    timeout_ms: int,
) -> CameraGuess | None:
    """Ask the pattern library for a camera."""
    field_deg = field_from_scale(scale_arcsec_px, stars.width_px)
    offsets = tangent_from_pixels(
        stars.x_px, stars.y_px, stars.width_px, stars.height_px, mirrored=False
    )
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


def _prove(
    stars: StarList,
    guess: CameraGuess,
    catalogue: Catalogue,
    year: float,
    hint: SolveHint,
    tolerance: float,
) -> _Proof | None:
    """Match every star under a proposed camera, fit, match again, and weigh the evidence."""
    half_diagonal_px = 0.5 * math.hypot(stars.width_px, stars.height_px)
    radius_rad = math.atan(1.1 * half_diagonal_px * guess.scale_arcsec_px * ARCSEC_RAD)
    nearby = catalogue.cone(
        guess.camera_from_icrs[0], radius_rad, year=year, most=3 * len(stars) + 60
    )
    radius_px = max(4.0, _FIRST_RADIUS_FRACTION * stars.width_px)
    matching, fit = _match_and_fit(stars, nearby.icrs, guess, radius_px, half_diagonal_px)
    for _ in range(2):
        if fit is None:
            return None
        guess = CameraGuess(
            camera_from_icrs=fit.camera_from_world,
            scale_arcsec_px=fit.scale_arcsec_px,
            mirrored=guess.mirrored,
            radial=fit.radial,
            radial_unit_px=fit.radial_unit_px,
        )
        radius_px = float(
            np.clip(
                _RADIUS_RMS * fit.rms_px,
                _SMALLEST_FINAL_RADIUS_PX,
                max(_LARGEST_FINAL_RADIUS_PX, 0.5 * radius_px),
            )
        )
        matching, fit = _match_and_fit(stars, nearby.icrs, guess, radius_px, half_diagonal_px)
    if fit is None:
        return None
    return _weigh(stars, guess, matching, fit, nearby.icrs, hint, tolerance)


def _match_and_fit(
    stars: StarList,
    icrs: NDArray[np.float64],
    guess: CameraGuess,
    radius_px: float,
    half_diagonal_px: float,
) -> tuple[Matching, CameraFit | None]:
    matching = match(stars, icrs, guess, radius_px)
    if len(matching.found) < MINIMUM_MATCHED:
        return matching, None
    measured = _measured(stars, matching, mirrored=guess.mirrored)
    fit = fit_camera(
        measured,
        icrs[matching.catalogue],
        stars.sigma_px[matching.found],
        scale_arcsec_px=guess.scale_arcsec_px,
        radial_unit_px=half_diagonal_px,
    )
    return matching, fit


def _measured(stars: StarList, matching: Matching, *, mirrored: bool) -> NDArray[np.float64]:
    return tangent_from_pixels(
        stars.x_px[matching.found],
        stars.y_px[matching.found],
        stars.width_px,
        stars.height_px,
        mirrored=mirrored,
    )


def _weigh(
    stars: StarList,
    guess: CameraGuess,
    matching: Matching,
    fit: CameraFit,
    icrs: NDArray[np.float64],
    hint: SolveHint,
    tolerance: float,
) -> _Proof:
    area_px2 = float(stars.width_px * stars.height_px)
    chance = log10_chance(
        int(fit.kept.sum()),
        len(stars),
        len(matching.catalogue_inside),
        matching.radius_px,
        area_px2,
    )
    tried = log10_attitudes(
        fit.scale_arcsec_px,
        matching.radius_px,
        stars.width_px,
        stars.height_px,
        sky_sr=_believed_sky_sr(fit, hint),
        scale_range=2.0 * tolerance,
    )
    bright_found = np.isin(np.arange(min(_BRIGHT_STARS, len(stars))), matching.found)
    bright_catalogue = np.isin(matching.catalogue_inside[:_BRIGHT_STARS], matching.catalogue)
    return _Proof(
        guess=guess,
        matching=matching,
        fit=fit,
        icrs=icrs,
        log10_false_alarm=chance + tried,
        bright_found=float(bright_found.mean()),
        bright_catalogue=float(bright_catalogue.mean()),
    )


def _believed_sky_sr(fit: CameraFit, hint: SolveHint) -> float:
    """Return the part of the sky that an answer competes with: the hint's where it agrees."""
    if hint.direction_icrs is None:
        return 4.0 * math.pi
    apart = float(np.clip(fit.camera_from_world[0] @ np.asarray(hint.direction_icrs), -1.0, 1.0))
    reach_rad = math.radians(3.0 * hint.direction_sigma_deg)
    if reach_rad >= math.pi or math.acos(apart) > reach_rad:
        return 4.0 * math.pi
    return 2.0 * math.pi * (1.0 - math.cos(reach_rad))


def _convincing(proof: _Proof) -> bool:
    """Return whether chance and misfit are both ruled out."""
    matched = int(proof.fit.kept.sum())
    reasons = []
    if matched < MINIMUM_MATCHED:
        reasons.append(f"{matched} matched")
    if proof.log10_false_alarm > LARGEST_LOG10_FALSE_ALARM:
        reasons.append(f"false alarm 1e{proof.log10_false_alarm:.1f}")
    overwhelming = proof.log10_false_alarm < _OVERWHELMING_LOG10_FALSE_ALARM
    least = _LEAST_BRIGHT_FRACTION_THEN if overwhelming else _LEAST_BRIGHT_FRACTION
    if min(proof.bright_found, proof.bright_catalogue) < least:
        reasons.append(
            f"bright stars matched: {proof.bright_found:.2f} of the picture's, "
            f"{proof.bright_catalogue:.2f} of the catalogue's"
        )
    if proof.fit.rms_px > _LARGEST_RMS_OF_RADIUS * proof.matching.radius_px:
        reasons.append(f"rms {proof.fit.rms_px:.2f} px in {proof.matching.radius_px:.2f} px")
    if reasons:
        LOG.debug("a proposed attitude was refused: %s", "; ".join(reasons))
    return not reasons


def _attitude(frame: Frame, stars: StarList, proof: _Proof) -> Attitude:
    fit, matching = proof.fit, proof.matching
    measured = _measured(stars, matching, mirrored=proof.guess.mirrored)[fit.kept]
    found = matching.found[fit.kept]
    return Attitude(
        camera_from_icrs=fit.camera_from_world,
        covariance_camera_rad2=fit.covariance_rad2,
        mid_exposure=frame.mid_exposure,
        mid_exposure_sigma_s=frame.mid_exposure_sigma_s,
        star_icrs=proof.icrs[matching.catalogue][fit.kept],
        star_tangent=undistorted(measured, fit.radial, fit.radial_unit_px),
        star_sigma_px=stars.sigma_px[found],
        star_px=np.column_stack([stars.x_px[found], stars.y_px[found]]),
        scale_arcsec_px=fit.scale_arcsec_px,
        mirrored=proof.guess.mirrored,
        width_px=stars.width_px,
        height_px=stars.height_px,
        rms_arcsec=fit.rms_px * fit.scale_arcsec_px,
        solver=SOLVER_NAME,
    )
