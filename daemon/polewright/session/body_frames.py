"""Frames of a body by day: exposed so that its edge shows, and its centre found in them."""

import asyncio
import logging
from dataclasses import dataclass
from datetime import datetime

from polewright.core.errors import MeasurementError, SafetyError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.bodies import (
    BodyCentre,
    find_body,
    fullness,
    next_exposure_s,
    radius_in_px,
    serves,
)
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.phases import Surface
from polewright.core.sky.bodies import BodyPlace
from polewright.core.sky.ephemeris import Body
from polewright.session.exposing import WatchedCamera

_log = logging.getLogger(__name__)

# By day a hundredth of a second is much already; a planet needs less than a second.
_FIRST_S = 0.005
_LONGEST_S = 1.0
_SHORTEST_S = 1e-5
_MOST_TRIES = 8
_SURFACES = {Body.SUN: Surface.DUST, Body.MOON: Surface.DUST}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BodyFrame:
    """One frame, and where the body's centre is in it."""

    centre: BodyCentre
    instant: datetime
    width_px: int
    height_px: int

    @property
    def from_middle_px(self) -> tuple[float, float]:
        """How far the centre is from the picture's middle (columns, rows; px)."""
        return (
            self.centre.x_px - 0.5 * (self.width_px - 1),
            self.centre.y_px - 0.5 * (self.height_px - 1),
        )

    @property
    def is_near_the_middle(self) -> bool:
        """Whether it stands within a twentieth of the picture's width of the middle."""
        x, y = self.from_middle_px
        return max(abs(x), abs(y)) < 0.05 * self.width_px


class BodyFrames:
    """Takes frames of bodies, and remembers the exposure that served.

    Parameters
    ----------
    camera : WatchedCamera
        Takes them.
    scale_arcsec_px : float or None
        Plate scale by settings or devices.
    """

    def __init__(self, camera: WatchedCamera, scale_arcsec_px: float | None) -> None:
        self._camera = camera
        self.scale_rad_px = None if scale_arcsec_px is None else scale_arcsec_px * ARCSEC_RAD
        self._exposure_s = _FIRST_S

    async def expose(self, body: Body) -> Frame:
        """Take frames until one is exposed well, and return it.

        Raises
        ------
        SafetyError
            ``too_much_light``: of the Sun, even at the shortest exposure.
        MeasurementError
            ``badly_exposed``.
        DeviceError, LinkError
            From the camera.
        """
        info = await self._camera.info()
        shortest_s = max(_SHORTEST_S, info.shortest_exposure_s or 0.0)
        longest_s = max(min(_LONGEST_S, info.longest_exposure_s or _LONGEST_S), shortest_s)
        for _ in range(_MOST_TRIES):
            exposure_s = min(max(self._exposure_s, shortest_s), longest_s)
            frame = await self._camera.expose(exposure_s)
            full = await asyncio.to_thread(fullness, frame)
            if serves(full) or (full < 0.5 and exposure_s >= longest_s):
                return frame
            wished_s = min(max(next_exposure_s(exposure_s, full), shortest_s), longest_s)
            _log.debug("%.5f s fills %.0f %%: %.5f s next", exposure_s, 100.0 * full, wished_s)
            if wished_s == exposure_s:
                break
            self._exposure_s = wished_s
        if body is Body.SUN:
            raise SafetyError(
                "DANGER: the picture is full of light even at the shortest exposure. If no solar "
                "filter sits in front of the objective, camera and tube are in danger now",
                remedy="Cap the tube at once and look at the filter. If the filter is on, lower "
                "[camera] gain.",
                code="too_much_light",
            )
        raise MeasurementError(
            "no exposure in reach shows the body against the sky",
            remedy="Lower or raise [camera] gain; wait until clouds have passed.",
            code="badly_exposed",
        )

    async def find(self, place: BodyPlace) -> BodyFrame:
        """Take a frame and return where the body's centre is in it.

        Raises
        ------
        MeasurementError
            There is no sure centre in it, or it has no time.
        SafetyError, DeviceError, LinkError
            As :meth:`expose`.
        """
        frame = await self.expose(place.body)
        radius_px = None
        if self.scale_rad_px is not None:
            radius_px = radius_in_px(place.angular_radius_rad, self.scale_rad_px)
        centre = await asyncio.to_thread(
            find_body,
            frame,
            radius_px=radius_px,
            phase_angle_rad=place.phase_angle_rad,
            surface=_SURFACES.get(place.body, Surface.CLOUDS),
        )
        if frame.mid_exposure is None:
            raise MeasurementError(
                "the camera's frame does not say when it was taken",
                remedy="Check the camera driver's settings for FITS dates.",
                code="no_time",
            )
        return BodyFrame(
            centre=centre,
            instant=frame.mid_exposure,
            width_px=frame.width_px,
            height_px=frame.height_px,
        )
