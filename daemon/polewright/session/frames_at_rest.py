"""Frames at rest: frames of stars at one place after another, each at which the mount stands."""

import logging
from collections.abc import Callable

from polewright.core.errors import MeasurementError
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.place import Place
from polewright.ports import Clock
from polewright.session.exposing import ExposureFinder
from polewright.session.measuring import FrameMeasurer, Measured, believed_direction
from polewright.session.safety import GuardedMount
from polewright.session.settling import CHEAP_EXPOSURE_S, CHEAP_LOOK_S, settled_frame

_log = logging.getLogger(__name__)

# A frame that does not solve (a cloud, a hand before the lens) is tried this often.
_TRIES_PER_PLACE = 2


class FramesAtRest:
    """Takes frames with one exposure, found at the first place where it is not given.

    Parameters
    ----------
    mount : GuardedMount
        Tells where to look for the stars.
    exposure_s : float or None
        Of every frame (s); None: found at the first place.
    say : callable
        Told of a search for the exposure, in words.
    """

    def __init__(
        self,
        mount: GuardedMount,
        measurer: FrameMeasurer,
        exposures: ExposureFinder,
        place: Place,
        clock: Clock,
        *,
        exposure_s: float | None,
        say: Callable[[str], None],
    ) -> None:
        self._mount = mount
        self._measurer = measurer
        self._exposures = exposures
        self._place = place
        self._clock = clock
        self._exposure_s = exposure_s
        self._say = say

    async def take(self, *, moved: bool, toward_icrs: Vector | None = None) -> Measured:
        """Take a frame at which the mount stands.

        Parameters
        ----------
        moved : bool
            Whether it was moved here just now.
        toward_icrs : ndarray of shape (3,), optional
            Where the camera looks, where that is known better than by the mount's word.

        Raises
        ------
        MeasurementError
            No frame here could be solved.
        DeviceError, LinkError
            From mount and camera.
        """
        tries_left = _TRIES_PER_PLACE
        took_s = 0.0

        async def look() -> Measured:
            nonlocal tries_left, took_s
            while True:
                status = await self._mount.status()
                direction = toward_icrs
                if direction is None:
                    direction = believed_direction(status, self._place, self._clock)
                began_s = self._clock.monotonic()
                try:
                    return await self._measured(direction)
                except MeasurementError as failure:
                    tries_left -= 1
                    # A search for the exposure has been several tries already.
                    if tries_left <= 0 or self._exposure_s is None:
                        raise
                    _log.info("no solution, one more try: %s", failure)
                finally:
                    took_s = self._clock.monotonic() - began_s

        def cheap() -> bool:
            short = self._exposure_s is not None and self._exposure_s <= CHEAP_EXPOSURE_S
            return moved and short and took_s <= CHEAP_LOOK_S

        return await settled_frame(look, doubted=cheap)

    async def _measured(self, direction: Vector | None) -> Measured:
        if self._exposure_s is not None:
            return await self._measurer.measure(self._exposure_s, direction)
        found = await self._exposures.find(self._measurer, direction, self._say)
        self._exposure_s = found.exposure_s
        return found.measured
