"""Finding the exposure: frames of a growing or shrinking length until one serves."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass

from polewright.core.errors import MeasurementError
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.exposing import LONGEST_S, SHORTEST_S, advise, live_exposure_s
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
from polewright.ports import Camera, CameraInfo
from polewright.session.measuring import FrameMeasurer, Measured

_log = logging.getLogger(__name__)

FIRST_S = 1.0
# From one end of the range to the other takes four; the rest is for a cloud (frames).
_MOST_TRIES = 6
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
