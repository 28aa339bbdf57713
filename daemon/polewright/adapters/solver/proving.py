"""Proving an attitude: every star is matched again, fitted, and weighed against chance.

Whoever proposed the camera is not believed.  Catalogue stars in the field are matched, the camera
is fitted by our own least squares, and the attitude stands only if chance cannot explain it.
"""

import logging
import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from polewright.adapters.solver.catalogue import CatalogueStars
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import Attitude, SolveHint
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
from polewright.core.imaging.stars import StarList, is_trailed

LOG = logging.getLogger(__name__)

MINIMUM_MATCHED = 6
"""Fewer matched stars are no answer, however well they fit."""

LARGEST_LOG10_FALSE_ALARM = -4.0
"""Most that chance may expect, over every camera that the search could have tried."""

_FIRST_RADIUS_FRACTION = 0.006  # of the width: lens distortion and the proposal's own error
_LARGEST_FINAL_RADIUS_PX = 3.0
_SMALLEST_FINAL_RADIUS_PX = 1.2
_RADIUS_RMS = 3.5
_BRIGHT_STARS = 12
_LEAST_BRIGHT_FRACTION = 0.3
_OVERWHELMING_LOG10_FALSE_ALARM = -12.0
_LEAST_BRIGHT_FRACTION_THEN = 0.15  # half the sky may be behind a roof or a tree
_LARGEST_RMS_OF_RADIUS = 0.36  # chance matches are uniform in the disc: 0.71; pieces of trails: 0.5
_LARGEST_TRAILED_RMS_PX = 0.8  # pieces of trails drag all stars the same way


class StarSource(Protocol):
    """Gives the stars of a cone; several catalogues can."""

    def cone(
        self,
        direction_icrs: NDArray[np.float64],
        radius_rad: float,
        *,
        year: float,
        most: int | None = None,
    ) -> CatalogueStars:
        """Return the stars around a direction at a Julian year, brightest first."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """A fitted camera and the evidence for it."""

    guess: CameraGuess
    matching: Matching
    fit: CameraFit
    nearby: CatalogueStars
    log10_false_alarm: float
    bright_found: float
    bright_catalogue: float
    trailed: bool


def prove(
    stars: StarList,
    guess: CameraGuess,
    catalogue: StarSource,
    year: float,
    hint: SolveHint,
    tolerance: float,
) -> Proof | None:
    """Match every star under a proposed camera, fit, match again, and weigh the evidence."""
    half_diagonal_px = 0.5 * math.hypot(stars.width_px, stars.height_px)
    radius_rad = math.atan(1.1 * half_diagonal_px * guess.scale_arcsec_px * ARCSEC_RAD)
    nearby = catalogue.cone(
        guess.camera_from_icrs[0], radius_rad, year=year, most=3 * len(stars) + 60
    )
    radius_px = max(4.0, _FIRST_RADIUS_FRACTION * stars.width_px)
    if guess.radial == 0.0 and hint.radial:
        guess = replace(guess, radial=hint.radial, radial_unit_px=half_diagonal_px)
    matching, fit = _match_and_fit(stars, nearby, guess, radius_px, half_diagonal_px, hint.radial)
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
        matching, fit = _match_and_fit(
            stars, nearby, guess, radius_px, half_diagonal_px, hint.radial
        )
    if fit is None:
        return None
    return _weigh(stars, guess, matching, fit, nearby, hint, tolerance)


def _match_and_fit(
    stars: StarList,
    nearby: CatalogueStars,
    guess: CameraGuess,
    radius_px: float,
    half_diagonal_px: float,
    known_radial: float,
) -> tuple[Matching, CameraFit | None]:
    matching = match(stars, nearby.icrs, guess, radius_px)
    if len(matching.found) < MINIMUM_MATCHED:
        return matching, None
    measured = _measured(stars, matching, mirrored=guess.mirrored)
    fit = fit_camera(
        measured,
        nearby.icrs[matching.catalogue],
        _sigma_px(stars, nearby, matching, guess.scale_arcsec_px),
        scale_arcsec_px=guess.scale_arcsec_px,
        radial_unit_px=half_diagonal_px,
        known_radial=known_radial,
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


def _sigma_px(
    stars: StarList, nearby: CatalogueStars, matching: Matching, scale_arcsec_px: float
) -> NDArray[np.float64]:
    """Return the sigma of each pair (px): the centre's and the catalogue place's."""
    place_px = nearby.sigma_rad[matching.catalogue] / (scale_arcsec_px * ARCSEC_RAD)
    return np.asarray(np.hypot(stars.sigma_px[matching.found], place_px))


def _weigh(
    stars: StarList,
    guess: CameraGuess,
    matching: Matching,
    fit: CameraFit,
    nearby: CatalogueStars,
    hint: SolveHint,
    tolerance: float,
) -> Proof:
    chance = _log10_chance(stars, matching, fit)
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
    return Proof(
        guess=guess,
        matching=matching,
        fit=fit,
        nearby=nearby,
        log10_false_alarm=chance + tried,
        bright_found=float(bright_found.mean()),
        bright_catalogue=float(bright_catalogue.mean()),
        trailed=is_trailed(stars.elongation),
    )


def _log10_chance(stars: StarList, matching: Matching, fit: CameraFit) -> float:
    """Return log10 of the probability that one wrong attitude matches so many stars.

    Counted in several ways, of which the least holds:

    * two matches fix the camera and are free, or none is, and the camera is the nearest of a grid
      in steps of the matching radius (:func:`log10_attitudes` counts them), which puts every match
      within twice the radius;
    * among all found stars, or the brightest of them: a narrow picture shows hundreds fainter than
      any catalogue's; with found stars falling on catalogue stars, or the other way round.  These
      are four looks at the evidence, and are paid for.
    """
    area_px2 = float(stars.width_px * stars.height_px)
    inside = len(matching.catalogue_inside)
    pairs = matching.found[fit.kept]
    looks = []
    for found in (len(stars), min(len(stars), 2 * inside + 10)):
        matched = int((pairs < found).sum())
        for discs, falling in ((inside, found), (found, inside)):
            fitted = log10_chance(matched, falling, discs, matching.radius_px, area_px2)
            on_grid = log10_chance(
                matched, falling, discs, 2.0 * matching.radius_px, area_px2, free=0
            )
            looks.append(min(fitted, on_grid))
    return min(0.0, min(looks) + math.log10(len(looks)))


def _believed_sky_sr(fit: CameraFit, hint: SolveHint) -> float:
    """Return the part of the sky that an answer competes with: the hint's where it agrees."""
    if hint.direction_icrs is None:
        return 4.0 * math.pi
    apart = float(np.clip(fit.camera_from_world[0] @ np.asarray(hint.direction_icrs), -1.0, 1.0))
    reach_rad = math.radians(3.0 * hint.direction_sigma_deg)
    if reach_rad >= math.pi or math.acos(apart) > reach_rad:
        return 4.0 * math.pi
    return 2.0 * math.pi * (1.0 - math.cos(reach_rad))


def convincing(proof: Proof) -> bool:
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
    if proof.trailed and proof.fit.rms_px > _LARGEST_TRAILED_RMS_PX:
        reasons.append(f"trails, and rms {proof.fit.rms_px:.2f} px")
    if reasons:
        LOG.debug("a proposed attitude was refused: %s", "; ".join(reasons))
    return not reasons


def attitude_of(frame: Frame, stars: StarList, proof: Proof, solver: str) -> Attitude:
    """Return the record of a proven attitude."""
    fit, matching = proof.fit, proof.matching
    measured = _measured(stars, matching, mirrored=proof.guess.mirrored)[fit.kept]
    found = matching.found[fit.kept]
    return Attitude(
        camera_from_icrs=fit.camera_from_world,
        covariance_camera_rad2=fit.covariance_rad2,
        mid_exposure=frame.mid_exposure,
        mid_exposure_sigma_s=frame.mid_exposure_sigma_s,
        star_icrs=proof.nearby.icrs[matching.catalogue][fit.kept],
        star_tangent=undistorted(measured, fit.radial, fit.radial_unit_px),
        star_sigma_px=_sigma_px(stars, proof.nearby, matching, fit.scale_arcsec_px)[fit.kept],
        star_px=np.column_stack([stars.x_px[found], stars.y_px[found]]),
        scale_arcsec_px=fit.scale_arcsec_px,
        mirrored=proof.guess.mirrored,
        width_px=stars.width_px,
        height_px=stars.height_px,
        rms_arcsec=fit.rms_px * fit.scale_arcsec_px,
        solver=solver,
        radial=fit.radial,
        elongation=stars.elongation,
    )
