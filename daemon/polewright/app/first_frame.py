"""The first frame: the check-up's last steps, from an exposure to a place on the sky."""

import asyncio
import math
from collections.abc import AsyncIterator
from datetime import datetime

from polewright.adapters.indi.rig import Rig
from polewright.adapters.solver.both import BothSolvers
from polewright.app.clock import HostClock
from polewright.app.findings import Finding, Mark
from polewright.app.service import optics_hint
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.core.geometry.directions import altaz_from_enu
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import StarList, is_trailed
from polewright.core.sky.place import Place
from polewright.core.sky.sun import sun_enu
from polewright.ports import CameraInfo
from polewright.session.exposing import ExposureFinder, WatchedCamera
from polewright.session.measuring import FrameMeasurer, Measured
from polewright.settings.model import Settings

# With the Sun higher than this the sky shows no stars to a guide telescope (deg; civil dusk).
_DAY_ABOVE_DEG = -6.0
# A scale that is further off costs time at each start, and may be another telescope (fraction).
_SCALE_OFF = 0.03


async def first_frame(
    settings: Settings, rig: Rig, place: Place | None, info: CameraInfo
) -> AsyncIterator[Finding]:
    """Yield the steps from an exposure to a solved frame; ends where one does not come through."""
    hint = optics_hint(settings, info)
    scale = hint.scale_arcsec_px
    if scale is None or not info.width_px or not info.height_px or place is None:
        yield Finding(
            step="first frame", mark=Mark.NOTE,
            text="not tried: it needs a camera of known scale, and a place",
            remedy="Mend the steps above first.",
        )  # fmt: skip
        return
    clock = HostClock()
    solver = BothSolvers()
    camera = WatchedCamera(rig.camera)
    measurer = FrameMeasurer(camera, solver, place, clock, hint)
    measured: Measured | None = None
    failure: MeasurementError | None = None
    try:
        await solver.prepare(info.width_px, info.height_px, hint)
        if settings.camera.exposure_s is not None:
            exposure_s = settings.camera.exposure_s
            measured = await measurer.measure(exposure_s)
        else:
            found = await ExposureFinder(camera).find(measurer)
            exposure_s, measured = found.exposure_s, found.measured
    except MeasurementError as trouble:
        failure = trouble
    except PolewrightError as trouble:
        yield Finding(step="exposure", mark=Mark.BAD, text=trouble.text, remedy=trouble.remedy)
        return
    frame = camera.last
    if frame is None:
        raise AssertionError("a frame came, or an error")
    yield _exposure(settings, frame)
    stars = await asyncio.to_thread(find_stars, frame)
    by_day = _by_day(place, frame.mid_exposure or clock.now())
    yield _stars(stars, by_day=by_day)
    yield _solved(measured, failure, scale, by_day=by_day)


def _exposure(settings: Settings, frame: Frame) -> Finding:
    chosen = "found" if settings.camera.exposure_s is None else "as set"
    mosaic = f", colour mosaic {frame.bayer_pattern}" if frame.bayer_pattern else ""
    return Finding(
        step="exposure",
        mark=Mark.GOOD,
        text=f"{frame.exposure_s:.2g} s ({chosen}): a frame of {frame.width_px} x "
        f"{frame.height_px} px came{mosaic}",
    )


def _stars(stars: StarList, *, by_day: bool) -> Finding:
    if len(stars) == 0:
        return _no_stars("no star is seen", by_day=by_day)
    text = f"{len(stars)} bright points, {stars.fwhm_px:.1f} px wide"
    if is_trailed(stars.elongation):
        return Finding(
            step="stars", mark=Mark.NOTE,
            text=f"{text}, {stars.elongation:.1f} times longer than wide",
            remedy="Let the mount track or stand still, and check the focus.",
        )  # fmt: skip
    return Finding(step="stars", mark=Mark.GOOD, text=text)


def _no_stars(text: str, *, by_day: bool) -> Finding:
    if by_day:
        return Finding(
            step="stars", mark=Mark.NOTE, text=f"{text}, and the Sun is up",
            remedy="Run this again at night.",
        )  # fmt: skip
    return Finding(
        step="stars", mark=Mark.BAD, text=text,
        remedy="Take the lens cap off, check focus and clouds, point away from trees and roofs.",
    )  # fmt: skip


def _solved(
    measured: Measured | None, failure: MeasurementError | None, scale: float, *, by_day: bool
) -> Finding:
    if measured is None:
        text = failure.text if failure else "not solved"
        remedy = failure.remedy if failure else ""
        mark = Mark.NOTE if by_day else Mark.BAD
        return Finding(step="first frame", mark=mark, text=text, remedy=remedy or "Try again.")
    attitude = measured.attitude
    altitude, azimuth = (
        math.degrees(angle) for angle in altaz_from_enu(measured.observed.enu_from_camera[:, 0])
    )
    text = (
        f"solved with {attitude.matched} stars: the camera looks at altitude {altitude:.0f} deg, "
        f"azimuth {azimuth % 360.0:.0f} deg, at {attitude.scale_arcsec_px:.2f} arcsec per px"
    )
    if abs(attitude.scale_arcsec_px / scale - 1.0) > _SCALE_OFF:
        return Finding(
            step="first frame", mark=Mark.NOTE,
            text=f"{text}, not the {scale:.2f} that settings or devices say",
            remedy="Correct [camera] focal_length_mm, or the reducer that it leaves out.",
        )  # fmt: skip
    return Finding(step="first frame", mark=Mark.GOOD, text=text)


def _by_day(place: Place, instant: datetime) -> bool:
    altitude, _ = altaz_from_enu(sun_enu(place, instant))
    return math.degrees(altitude) > _DAY_ABOVE_DEG
