"""Exposures: found by frames of a growing or shrinking length, and kept fit in live mode."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass

from polewright.core.errors import MeasurementError
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.attitude import Attitude
from polewright.core.imaging.exposing import (
    LONGEST_S,
    SHORTEST_S,
    advise,
    live_exposure_s,
    next_live_exposure_s,
)
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import is_trailed
from polewright.ports import Camera, CameraInfo
from polewright.session.measuring import FrameMeasurer, Measured

_log = logging.getLogger(__name__)

FIRST_S = 1.0
# From one end of the range to the other takes four; the rest is for a cloud (frames).
_MOST_TRIES = 6
# Hands that turn bolts trail the stars, too, for a frame or two; a cloud stays for longer (frames).
_UNSOLVED_IN_A_ROW = 3
LIVE_LONGEST_S = 4.0
"""Hands wait no longer for one frame, where no setting says how long frames are."""

# Only these failures say something about the exposure.
_ABOUT_STARS = frozenset({"too_few_stars", "no_solution"})


class WatchedCamera:
    """A camera whose last frame can be looked at; implements :class:`polewright.ports.Camera`."""

    def __init__(self, camera: Camera) -> None:
        self._camera = camera
        self.last: Frame | None = None

    @property
    def name(self) -> str:
        """The device's name."""
        return self._camera.name

    async def info(self) -> CameraInfo:
        """Return what the camera says of itself."""
        return await self._camera.info()

    async def expose(self, exposure_s: float) -> Frame:
        """Take one frame and remember it."""
        # Forgotten first: two large frames at once are more memory than a small computer has.
        self.last = None
        self.last = await self._camera.expose(exposure_s)
        return self.last


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundExposure:
    """An exposure that serves (s), and the frame that showed it."""

    exposure_s: float
    measured: Measured


class ExposureFinder:
    """Finds the exposure of one camera, and begins with the last one that served."""

    def __init__(self, camera: WatchedCamera) -> None:
        self._camera = camera
        self._found_s: float | None = None
        self._matched = 0

    @property
    def live_s(self) -> float:
        """Exposure for live frames (s)."""
        return live_exposure_s(self._found_s or FIRST_S, self._matched)

    async def longest_live_s(self) -> float:
        """Return how long live frames may become where no setting says how long frames are (s).

        Raises
        ------
        DeviceError, LinkError
            From the camera.
        """
        longest_s = (await self._camera.info()).longest_exposure_s
        return min(LIVE_LONGEST_S, longest_s or LIVE_LONGEST_S)

    async def find(
        self,
        measurer: FrameMeasurer,
        direction_icrs: Vector | None = None,
        say: Callable[[str], None] = lambda _words: None,
    ) -> FoundExposure:
        """Return an exposure that serves.

        Raises
        ------
        MeasurementError
            No exposure in reach gave a frame that solves: the last frame's failure.
        DeviceError, LinkError
            From the camera.
        """
        info = await self._camera.info()
        shortest_s = max(SHORTEST_S, info.shortest_exposure_s or 0.0)
        longest_s = max(min(LONGEST_S, info.longest_exposure_s or LONGEST_S), shortest_s)
        exposure_s = min(max(self._found_s or FIRST_S, shortest_s), longest_s)
        best: FoundExposure | None = None
        failure: MeasurementError | None = None
        for _ in range(_MOST_TRIES):
            matched = 0
            try:
                measured = await measurer.measure(exposure_s, direction_icrs)
                matched = measured.attitude.matched
                if best is None or matched > best.measured.attitude.matched:
                    best = FoundExposure(exposure_s=exposure_s, measured=measured)
            except MeasurementError as trouble:
                if trouble.code not in _ABOUT_STARS:
                    raise
                failure = trouble
            frame = self._camera.last
            if frame is None:
                raise AssertionError("a frame was taken")
            stars = await asyncio.to_thread(find_stars, frame)
            advice = advise(
                exposure_s, matched, stars, frame.saturation,
                shortest_s=shortest_s, longest_s=longest_s,
            )  # fmt: skip
            _log.info("exposure of %.2f s: %s", exposure_s, advice.words)
            if advice.good and matched:
                best = FoundExposure(exposure_s=exposure_s, measured=measured)
                break
            if advice.next_s is None:
                break
            say(f"{advice.words}: exposing {advice.next_s:.2g} s")
            exposure_s = advice.next_s
        if best is None:
            raise failure or AssertionError("a frame or a reason")
        self._found_s, self._matched = best.exposure_s, best.measured.attitude.matched
        return best


class LiveExposure:
    """Exposure of live frames: longer while stars are few, and back again.

    Parameters
    ----------
    first_s : float
        What to begin with, and to come back to (s).
    longest_s : float
        Never longer than this (s).
    """

    def __init__(self, first_s: float, *, longest_s: float) -> None:
        self.exposure_s = first_s
        self._first_s = first_s
        self._longest_s = max(first_s, longest_s)
        self._unsolved = 0

    def saw(self, attitude: Attitude) -> None:
        """Take note of a solved frame."""
        self._unsolved = 0
        if is_trailed(attitude.elongation):
            # Of a frame that hands have trailed a shorter one shows more.
            self._become(max(self._first_s, 0.5 * self.exposure_s), "trails")
        else:
            self._adapt(attitude.matched)

    def failed(self, failure: MeasurementError) -> None:
        """Take note of a frame that says nothing."""
        if failure.code not in _ABOUT_STARS:
            return
        self._unsolved += 1
        if failure.code == "too_few_stars" or self._unsolved >= _UNSOLVED_IN_A_ROW:
            self._adapt(0)

    def _adapt(self, matched: int) -> None:
        exposure_s = next_live_exposure_s(
            self.exposure_s, matched, shortest_s=self._first_s, longest_s=self._longest_s
        )
        self._become(exposure_s, f"{matched} stars are identified")

    def _become(self, exposure_s: float, why: str) -> None:
        if exposure_s != self.exposure_s:
            _log.info("%s: live frames of %.2g s now", why, exposure_s)
            self.exposure_s = exposure_s
