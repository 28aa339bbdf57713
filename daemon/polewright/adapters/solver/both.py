"""Both solvers as one: the embedded one, and the narrow one where fields are narrow or sparse.

Under 1.5 deg the narrow solver alone is asked, where it is installed: the carried catalogue has
too few stars there, and its patterns would take 10 s and 100 MB.  Wider, it is asked when the
embedded one finds no solution.
"""

import asyncio
import logging
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import EllipsisType

from polewright.adapters.solver.catalogue import carried_catalogue
from polewright.adapters.solver.embedded import EmbeddedSolver
from polewright.adapters.solver.index_files import what_is_missing
from polewright.adapters.solver.narrow import NarrowSolver, narrow_solver
from polewright.adapters.solver.solving import (
    field_from_scale,
    hinted_scale_arcsec_px,
    scale_from_field,
)
from polewright.core.errors import MeasurementError
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import is_trailed

LOG = logging.getLogger(__name__)

NARROW_DEG = 1.5
"""Frames less wide than this are the narrow solver's."""


class BothSolvers:
    """What the service and the offline commands use (``ports.Solver``).

    Where the optional package or its index files are not installed, only the embedded solver is
    asked, and a refusal of a narrow field says what to install.

    Parameters
    ----------
    cache_directory : Path, optional
        Where pattern databases are kept; ``$XDG_CACHE_HOME/polewright`` where left out.
    embedded : EmbeddedSolver, optional
        The first solver.
    narrow : NarrowSolver or None, optional
        The second; looked for when first needed where left out, none where None.
    """

    def __init__(
        self,
        *,
        cache_directory: Path | None = None,
        embedded: EmbeddedSolver | None = None,
        narrow: NarrowSolver | EllipsisType | None = ...,
    ) -> None:
        self._embedded = embedded or EmbeddedSolver(
            cache_directory=cache_directory,
            fewer_patterns=narrow is not None and not what_is_missing(),
        )
        self._second = narrow
        self._looking = threading.Lock()

    def _narrow(self) -> NarrowSolver | None:
        """Return the second solver, looked for once (1 s)."""
        with self._looking:
            if isinstance(self._second, EllipsisType):
                self._second = narrow_solver(carried_catalogue())
                if self._second is None:
                    LOG.info("no second solver for narrow fields: install %s", what_is_missing())
            return self._second

    async def prepare(
        self,
        width_px: int,
        height_px: int,
        hint: SolveHint,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        """Make ready for frames of this size and scale; builds patterns once per train.

        Raises
        ------
        MeasurementError
            ``no_scale``: the hint has no scale; ``no_patterns``: the build failed.
        """
        if hint.scale_arcsec_px:
            field_deg = field_from_scale(hint.scale_arcsec_px, width_px)
            if field_deg < NARROW_DEG and await asyncio.to_thread(self._narrow) is not None:
                return
        await self._embedded.prepare(width_px, height_px, hint, progress)

    async def solve(self, frame: Frame, hint: SolveHint) -> Attitude:
        """Return the attitude of a frame; raise MeasurementError where there is no sure one."""
        field_deg = field_from_scale(hinted_scale_arcsec_px(frame, hint), frame.width_px)
        narrow = field_deg < NARROW_DEG and await asyncio.to_thread(self._narrow) is not None
        if not narrow:
            await self._embedded.make_ready(field_deg)
        try:
            return await asyncio.to_thread(self._solve, frame, hint, field_deg)
        except asyncio.CancelledError:
            if isinstance(self._second, NarrowSolver):
                self._second.interrupt()
            raise

    def solve_now(
        self, frame: Frame, hint: SolveHint | None = None, *, field_deg: float | None = None
    ) -> Attitude:
        """Solve without an event loop, for offline use and measurements of speed.

        Parameters
        ----------
        frame : Frame
            The picture.
        hint : SolveHint, optional
            What is believed.
        field_deg : float, optional
            Width of the picture on the sky (deg), where the camera is unknown.
        """
        hint = hint or SolveHint()
        if field_deg is not None:
            hint = replace(hint, scale_arcsec_px=scale_from_field(field_deg, frame.width_px))
        field_deg = field_from_scale(hinted_scale_arcsec_px(frame, hint), frame.width_px)
        return self._solve(frame, hint, field_deg)

    def _solve(self, frame: Frame, hint: SolveHint, field_deg: float) -> Attitude:
        stars = find_stars(frame)
        narrow = self._narrow() if field_deg < NARROW_DEG else None
        if narrow is not None:
            return _noted(narrow.identify(stars, frame, hint))
        try:
            return _noted(self._embedded.identify(stars, frame, hint))
        except MeasurementError as refusal:
            if refusal.code != "no_solution":
                raise
            narrow = self._narrow()
            if narrow is None:
                raise _with_advice(refusal, field_deg) from None
        return _noted(narrow.identify(stars, frame, hint))


def _noted(attitude: Attitude) -> Attitude:
    """Return the attitude, after a note of what was solved, and where its stars are trails."""
    LOG.debug(
        "%d stars matched, %.2f arcsec rms", attitude.matched, attitude.rms_arcsec,
        extra={"stars": attitude.matched, "rms_arcsec": round(attitude.rms_arcsec, 3)},
    )  # fmt: skip
    if is_trailed(attitude.elongation):
        LOG.info(
            "the stars are %.1f times longer than wide: the mount moved while the shutter was open",
            attitude.elongation,
        )
    return attitude


def _with_advice(refusal: MeasurementError, field_deg: float) -> MeasurementError:
    """Return the refusal of a narrow field with what to install against it."""
    missing = what_is_missing()
    if field_deg >= NARROW_DEG or missing is None:
        return refusal
    return MeasurementError(
        refusal.text,
        remedy=f"{refusal.remedy} Fields as narrow as this one ({field_deg:.1f} deg) need fainter "
        f"stars: install {missing}.",
        code=refusal.code,
    )
