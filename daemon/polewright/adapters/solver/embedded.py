"""The embedded solver: everything needed to solve a frame, in this process and off its loop.

Measured on two x86-64 cores, 1280 x 960 pixels, 25 to 40 stars: star finding 11 ms, proposal
0.2 ms, proof and fit 6 ms; 17 ms in all, with or without a direction hint.  tetra3rs lets other
Python threads run while it searches, loads and generates (longest pause 2 to 12 ms); sep does
not, but works on a binned picture for 3 to 4 ms at a time (24 million pixels: 30 ms).  So a
worker thread keeps the event loop free.  A database is built in a child process: it takes
seconds, must be stoppable, and writing the file would hold Python's lock for 0.1 to 0.7 s.
"""

import asyncio
import contextlib
import logging
import sys
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import Any

from polewright.adapters.solver.catalogue import Catalogue, carried_catalogue
from polewright.adapters.solver.database import DatabaseCache, FieldRange, default_cache_directory
from polewright.adapters.solver.solving import (
    field_from_scale,
    hinted_scale_arcsec_px,
    scale_from_field,
    solve_frame,
    solve_stars,
)
from polewright.core.errors import MeasurementError
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import StarList

LOG = logging.getLogger(__name__)

BUILD_TIMEOUT_S = 300.0
"""Bound on one database build: a slow single-board computer needs ten times a desktop's 10 s."""

_PROGRESS_STEP_S = 0.2
_LARGEST_ESTIMATED_PROGRESS = 0.95


class EmbeddedSolver:
    """Solves frames with tetra3rs patterns and the carried catalogue (``ports.Solver``).

    Of a hint the scale must be right within three of its sigmas (at least 2 %, at most 10 %).  The
    direction is never required to be right: where the answer lies within three of its sigmas,
    fewer matches convince; elsewhere the answer must stand alone against the whole sky.  Both
    parities are always tried.

    Parameters
    ----------
    cache_directory : Path, optional
        Where databases are kept; ``$XDG_CACHE_HOME/polewright`` where left out.
    catalogue : Catalogue, optional
        The stars; the carried catalogue where left out.
    fewer_patterns : bool, optional
        Save memory where a second solver stands by; see ``DatabaseCache``.
    """

    def __init__(
        self,
        *,
        cache_directory: Path | None = None,
        catalogue: Catalogue | None = None,
        fewer_patterns: bool = False,
    ) -> None:
        self._fewer = fewer_patterns
        self._cache = DatabaseCache(
            cache_directory or default_cache_directory(), fewer=fewer_patterns
        )
        self._catalogue = catalogue
        self._loaded: list[tuple[FieldRange, Any]] = []
        self._lock = asyncio.Lock()

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
        del height_px  # the pattern library counts the width of a frame
        if not hint.scale_arcsec_px:
            raise MeasurementError(
                "the camera's scale is unknown, so no star patterns can be prepared",
                remedy="Set the focal length and the pixel size of the camera.",
                code="no_scale",
            )
        await self._ready(field_from_scale(hint.scale_arcsec_px, width_px), progress)
        if progress:
            progress(1.0)

    async def solve(self, frame: Frame, hint: SolveHint) -> Attitude:
        """Return the attitude of a frame; raise MeasurementError where there is no sure one."""
        scale = hinted_scale_arcsec_px(frame, hint)
        database = await self._ready(field_from_scale(scale, frame.width_px), None)
        return await asyncio.to_thread(self._solve, frame, hint, database)

    async def make_ready(self, field_deg: float) -> None:
        """Load or build the patterns of a field of view (width, deg), so that none wait later.

        Raises
        ------
        MeasurementError
            ``no_patterns``: the build failed.
        """
        await self._ready(field_deg, None)

    def identify(self, stars: StarList, frame: Frame, hint: SolveHint) -> Attitude:
        """Return the attitude of found stars, blocking; builds patterns where there are none.

        Raises
        ------
        MeasurementError
            ``too_few_stars``, ``no_solution`` or ``no_scale``.
        """
        field_deg = field_from_scale(hinted_scale_arcsec_px(frame, hint), frame.width_px)
        return solve_stars(
            stars,
            frame,
            hint,
            database=self._ready_now(field_deg),
            catalogue=self._catalogue or carried_catalogue(),
        )

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
            hint = SolveHint(
                direction_icrs=hint.direction_icrs,
                direction_sigma_deg=hint.direction_sigma_deg,
                scale_arcsec_px=scale_from_field(field_deg, frame.width_px),
                scale_sigma_fraction=hint.scale_sigma_fraction,
                mirrored=hint.mirrored,
            )
        field_deg = field_from_scale(hinted_scale_arcsec_px(frame, hint), frame.width_px)
        return self._solve(frame, hint, self._ready_now(field_deg))

    def _ready_now(self, field_deg: float) -> Any:
        database = self._at_hand(field_deg) or self._load(field_deg)
        if database is None:
            self._cache.build(field_deg)
            database = self._load(field_deg)
        return database

    def _solve(self, frame: Frame, hint: SolveHint, database: Any) -> Attitude:
        catalogue = self._catalogue or carried_catalogue()
        return solve_frame(frame, hint, database=database, catalogue=catalogue)

    async def _ready(self, field_deg: float, progress: Callable[[float], None] | None) -> Any:
        """Return the database for a field, from memory, the cache, or built now."""
        async with self._lock:
            database = self._at_hand(field_deg)
            if database is None:
                database = await asyncio.to_thread(self._load, field_deg)
            if database is None:
                await self._build(field_deg, progress)
                database = await asyncio.to_thread(self._load, field_deg)
            if database is None:
                raise _no_patterns("the file that was just built cannot be read")
            return database

    def _at_hand(self, field_deg: float) -> Any:
        for fields, database in self._loaded:
            if fields.serves(field_deg):
                return database
        return None

    def _load(self, field_deg: float) -> Any:
        loaded = self._cache.load(field_deg)
        if loaded is None:
            return None
        if self._catalogue is None:
            carried_catalogue()
        self._loaded = [loaded]  # one train at a time: a narrow field takes 100 MB
        return loaded[1]

    async def _build(self, field_deg: float, progress: Callable[[float], None] | None) -> None:
        LOG.info("building star patterns for a field of %.2f deg, once", field_deg)
        estimate_s = FieldRange.around(field_deg).build_estimate_s
        began_s = monotonic()
        child = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "polewright.adapters.solver.database",
            str(self._cache.directory),
            repr(field_deg),
            "fewer" if self._fewer else "all",
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        talk = asyncio.ensure_future(child.communicate())
        try:
            while True:
                done, _ = await asyncio.wait({talk}, timeout=_PROGRESS_STEP_S)
                if done:
                    break
                spent_s = monotonic() - began_s
                if spent_s > BUILD_TIMEOUT_S:
                    raise _no_patterns(f"it was not done in {BUILD_TIMEOUT_S:.0f} s")
                if progress:
                    progress(min(_LARGEST_ESTIMATED_PROGRESS, spent_s / estimate_s))
            _, complaint = talk.result()
        finally:
            if child.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    child.kill()
            with contextlib.suppress(asyncio.CancelledError):
                await talk
        if child.returncode:
            lines = complaint.decode(errors="replace").strip().splitlines()
            raise _no_patterns(lines[-1] if lines else f"exit code {child.returncode}")
        LOG.info("star patterns built in %.1f s", monotonic() - began_s)


def _no_patterns(why: str) -> MeasurementError:
    return MeasurementError(
        f"the star patterns for this field of view could not be built: {why}",
        remedy="Check free space and permissions of the cache folder, then try again.",
        code="no_patterns",
    )
