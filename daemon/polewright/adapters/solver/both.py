"""Both solvers as one: the embedded one first, the narrow one where fields are narrow or sparse."""

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

LOG = logging.getLogger(__name__)

NARROW_ONLY_DEG = 1.0
"""Narrower than this the carried catalogue has too few stars: only the narrow solver is asked."""

NARROW_DEG = 1.5
"""Narrower than this the deeper stars prove and fit the embedded solver's answers, too."""


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
        self._embedded = embedded or EmbeddedSolver(cache_directory=cache_directory)
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
            if field_deg < NARROW_DEG:
                narrow = await asyncio.to_thread(self._narrow)
                if narrow is not None and field_deg < NARROW_ONLY_DEG:
                    return
        await self._embedded.prepare(width_px, height_px, hint, progress)

    async def solve(self, frame: Frame, hint: SolveHint) -> Attitude:
        """Return the attitude of a frame; raise MeasurementError where there is no sure one."""
        field_deg = field_from_scale(hinted_scale_arcsec_px(frame, hint), frame.width_px)
        narrow = await asyncio.to_thread(self._narrow) if field_deg < NARROW_DEG else None
        embedded = narrow is None or field_deg >= NARROW_ONLY_DEG
        if embedded:
            try:
                await self._embedded.make_ready(field_deg)
            except MeasurementError as trouble:
                if narrow is None:
                    raise
                LOG.warning("%s", trouble)
                embedded = False
        try:
            return await asyncio.to_thread(self._solve, frame, hint, field_deg, embedded=embedded)
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
        embedded = field_deg >= NARROW_ONLY_DEG or self._narrow() is None
        return self._solve(frame, hint, field_deg, embedded=embedded)

    def _solve(
        self, frame: Frame, hint: SolveHint, field_deg: float, *, embedded: bool
    ) -> Attitude:
        stars = find_stars(frame)
        narrow = self._narrow() if field_deg < NARROW_DEG else None
        if embedded:
            try:
                return self._embedded.identify(
                    stars, frame, hint, catalogue=narrow.catalogue if narrow else None
                )
            except MeasurementError as refusal:
                if refusal.code != "no_solution":
                    raise
                narrow = narrow or self._narrow()
                if narrow is None:
                    raise _with_advice(refusal, field_deg) from None
        if narrow is None:
            raise AssertionError("neither solver was asked")
        return narrow.identify(stars, frame, hint)


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
