"""The second solver, for narrow and sparse fields: astrometry.net's search with fainter stars.

The optional package ``astrometry`` (the extra ``narrow``) and Debian's Tycho-2 index files only
propose cameras; nothing that they say is believed.  Each proposal must pass the same proof as the
first solver's: stars matched again, fitted, weighed against chance (:mod:`.proving`).
"""

import logging
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from polewright.adapters.solver.catalogue import Catalogue, carried_catalogue, julian_year
from polewright.adapters.solver.deep_catalogue import DeepCatalogue
from polewright.adapters.solver.index_files import dense_stars, index_files, is_solver_installed
from polewright.adapters.solver.narrow_process import NarrowProcess
from polewright.adapters.solver.proving import Proof, StarSource, attitude_of, convincing, prove
from polewright.adapters.solver.solving import (
    hinted_scale_arcsec_px,
    no_solution,
    refuse_too_few,
    scale_tolerance,
)
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.wahba import camera_vectors, fit_rotation
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.matching import CameraGuess, tangent_from_pixels, undistorted
from polewright.core.imaging.stars import StarList

LOG = logging.getLogger(__name__)

SOLVER_NAME = "narrow"

SEARCH_TIMEOUT_S = 3.0
"""Bound on one search: 10 to 30 ms where it succeeds, 0.1 to 1 s where it does not (desktop)."""

_STARS_PROPOSED = 40  # 60 take four times as long and solve no more
_LEAST_SCALE_TOLERANCE = 0.05
_HINT_RADIUS_DEG = 15.0
_LOG_ODDS = 5.0  # low: the proof decides
_SAME_CAMERA_PX = 3.0


class NarrowSolver:
    """Proposes through a child process, proves with the deepest stars at hand.

    Parameters
    ----------
    process : NarrowProcess
        Runs the search.
    catalogue : StarSource
        The stars that prove.
    """

    def __init__(self, process: NarrowProcess, catalogue: StarSource) -> None:
        self._process = process
        self._catalogue = catalogue

    def interrupt(self) -> None:
        """End a running search, from another thread."""
        self._process.interrupt()

    def identify(self, stars: StarList, frame: Frame, hint: SolveHint) -> Attitude:
        """Return the attitude of found stars (blocks, bounded).

        Raises
        ------
        MeasurementError
            ``too_few_stars``, ``no_solution`` or ``no_scale``.
        """
        scale = hinted_scale_arcsec_px(frame, hint)
        refuse_too_few(stars)
        tolerance = max(_LEAST_SCALE_TOLERANCE, scale_tolerance(hint))
        year = julian_year(frame.mid_exposure)
        best: Proof | None = None
        tried: list[CameraGuess] = []
        for guess in self._proposals(stars, hint, scale, tolerance):
            if any(_alike(guess, other, stars) for other in tried):
                continue
            tried.append(guess)
            proof = prove(stars, guess, self._catalogue, year, hint, tolerance)
            if proof is not None and convincing(proof):
                return attitude_of(frame, stars, proof, SOLVER_NAME)
            best = proof or best
        raise no_solution(stars, scale, best)

    def _proposals(
        self, stars: StarList, hint: SolveHint, scale_arcsec_px: float, tolerance: float
    ) -> Iterator[CameraGuess]:
        """Yield cameras: near where the hint points and of its parity, then any.

        Either belief may be wrong (a mount that was never aligned, a setting): then it costs one
        search in vain, not the answer.
        """
        question: dict[str, Any] = {
            "stars_px": _places(stars, hint)[:_STARS_PROPOSED].tolist(),
            "scale_arcsec_px": [
                scale_arcsec_px * (1.0 - tolerance),
                scale_arcsec_px * (1.0 + tolerance),
            ],
            "log_odds": _LOG_ODDS,
        }
        believed = {True: "NORMAL", False: "FLIP", None: "BOTH"}[hint.mirrored]
        searches = [(position, believed) for position in _hinted_position(hint)]
        for position, parity in [*searches, (None, "BOTH")]:
            question |= {"position_deg": position, "parity": parity}
            proposals = self._process.ask(question, SEARCH_TIMEOUT_S)
            LOG.debug("%d proposals of parity %s around %s", len(proposals), parity, position)
            for proposal in proposals:
                yield _guess(proposal, stars.width_px, stars.height_px)


def narrow_solver(carried: Catalogue | None = None) -> NarrowSolver | None:
    """Return the second solver where package and index files are installed, else None.

    Reads the stars, 1 s the first time.
    """
    if not is_solver_installed():
        return None
    index = dense_stars()
    if index is None:
        return None
    deep = DeepCatalogue(carried or carried_catalogue(), index)
    return NarrowSolver(NarrowProcess(index_files()), deep)


def _alike(one: CameraGuess, other: CameraGuess, stars: StarList) -> bool:
    """Return whether two cameras show every star at the same place, but for noise."""
    half_diagonal_px = 0.5 * math.hypot(stars.width_px, stars.height_px)
    apart = one.camera_from_icrs - other.camera_from_icrs
    middle_px = float(np.linalg.norm(apart[0])) / (one.scale_arcsec_px * ARCSEC_RAD)
    edge_px = float(np.linalg.norm(apart[1])) * half_diagonal_px
    return one.mirrored == other.mirrored and max(middle_px, edge_px) < _SAME_CAMERA_PX


def _places(stars: StarList, hint: SolveHint) -> Any:
    """Return pixel places with the lens's known distortion taken out."""
    offsets = tangent_from_pixels(
        stars.x_px, stars.y_px, stars.width_px, stars.height_px, mirrored=False
    )
    half_diagonal_px = 0.5 * math.hypot(stars.width_px, stars.height_px)
    middle = [0.5 * (stars.width_px - 1), 0.5 * (stars.height_px - 1)]
    return undistorted(offsets, hint.radial, half_diagonal_px) + middle


def _hinted_position(hint: SolveHint) -> list[list[float]]:
    if hint.direction_icrs is None:
        return []
    x, y, z = hint.direction_icrs
    right_ascension_deg = math.degrees(math.atan2(y, x)) % 360.0
    declination_deg = math.degrees(math.asin(max(-1.0, min(1.0, z))))
    radius_deg = max(_HINT_RADIUS_DEG, 3.0 * hint.direction_sigma_deg)
    return [[right_ascension_deg, declination_deg, radius_deg]]


def _guess(proposal: dict[str, Any], width_px: int, height_px: int) -> CameraGuess:
    """Return the camera of a linear world coordinate system (FITS: Calabretta & Greisen 2002)."""
    deg_per_px = np.array(proposal["deg_per_px"])
    # North up and east left has a negative determinant; with rows counted downward, as in our
    # camera, a plain picture has a positive one.
    mirrored = bool(np.linalg.det(deg_per_px) < 0.0)
    ra, dec = np.radians(proposal["reference_deg"])
    pole = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    east = np.array([-np.sin(ra), np.cos(ra), 0.0])
    north = np.cross(pole, east)
    across, down = 0.25 * width_px, 0.25 * height_px
    offsets = np.array([[0.0, 0.0], [across, 0.0], [-across, 0.0], [0.0, down], [0.0, -down]])
    middle = np.array([0.5 * (width_px - 1), 0.5 * (height_px - 1)])
    # FITS counts pixels from one.
    plane = np.radians((offsets + middle + 1.0 - proposal["reference_px"]) @ deg_per_px.T)
    sky = pole + plane[:, :1] * east + plane[:, 1:] * north
    sky /= np.linalg.norm(sky, axis=1)[:, None]
    angle = math.acos(float(np.clip(sky[1] @ sky[2], -1.0, 1.0)))
    scale = math.degrees(2.0 * math.tan(0.5 * angle)) * 3600.0 / (2.0 * across)
    tangent = offsets * [1.0, -1.0 if mirrored else 1.0]
    rotation, _ = fit_rotation(camera_vectors(tangent, scale), sky, np.ones(len(sky)))
    return CameraGuess(camera_from_icrs=rotation, scale_arcsec_px=scale, mirrored=mirrored)
