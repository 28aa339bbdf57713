"""Watchkeeping: while others image, say when the axis no longer stands where it was measured.

The camera belongs to whoever images; what is looked at is handed over.  Nothing moves.
"""

import asyncio
import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from polewright.core.axis.axis_moved import AxisMoved, Seen
from polewright.core.axis.axis_watch import AxisWatch
from polewright.core.axis.guide_watch import GuideStar, GuideWatch
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.attitude import SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.sky.mount_frame import hour_angle_deg, right_ascension_deg
from polewright.core.sky.observed import ObservingMoment
from polewright.ports import CameraInfo, Clock, GuideOffset, WatchInputs
from polewright.session.known_axis import KnownAxis
from polewright.session.measuring import FrameMeasurer, Measured
from polewright.session.messages import Message
from polewright.session.mount_log import MountLog
from polewright.session.watch_message import alarm_body, alarm_words, watch_message
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

_TOLD_EVERY_S = 60.0
_MOST_ALARMS = 20
_REMEDY = (
    "Look at the tripod: its legs, the ground, cables, the wind. Then check: polewright drift, or "
    "survey again between two targets."
)


async def keep_watch(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Watch until stopped, or for so many hours.

    Raises
    ------
    UsageError
        ``nothing_watched``: there is nothing to look at; ``no_known_axis``: nothing to hold it
        against.
    """
    if work.watched is None:
        raise UsageError(
            "nothing is handed over to watch: no folder is set and MQTT is off",
            remedy="Set [watch] folder to where your imaging program writes its FITS files.",
            code="nothing_watched",
        )
    known = work.memory.axis
    if known is None or not known.holds(work.clock.now()):
        raise UsageError(
            "the axis was not measured lately, so there is nothing to hold the frames against",
            remedy="Measure it first: polewright survey, or polewright drift.",
            code="no_known_axis",
        )
    hours = arguments.get("hours")
    watching, stopped = _Watching(work, work.watched, known), False
    try:
        async with asyncio.timeout(None if hours is None else 3600.0 * float(hours)):
            await watching.run()
    except TimeoutError:
        pass
    except asyncio.CancelledError:
        # Ending it is how a watch ends: what it saw is told all the same.
        stopped = True
    finally:
        work.memory.axis = watching.known_axis()
        watching.tell(watching=False)
    return {
        "stopped": stopped,
        "frames": watching.frames,
        "unsolved": watching.unsolved,
        "guide_offsets": watching.offsets,
        "alarms": len(watching.alarms),
    }


class _HandedCamera:
    """Frames that others took, as a camera's (implements ``Camera``): exposing is waiting."""

    name = "handed over"

    def __init__(self, inputs: WatchInputs) -> None:
        self._inputs = inputs

    async def info(self) -> CameraInfo:
        """Return that nothing is known before a frame comes."""
        return CameraInfo(name=self.name)

    async def expose(self, exposure_s: float) -> Frame:
        """Wait for the next frame."""
        return await self._inputs.next_frame()


@dataclass(slots=True)
class _Watching:
    """One watch."""

    work: Workplace
    inputs: WatchInputs
    known: KnownAxis
    alarms: list[Message] = field(default_factory=list)
    frames: int = 0
    unsolved: int = 0
    offsets: int = 0
    _last_frame: datetime | None = None
    _last_offset: datetime | None = None
    _doubtful: int = 0

    def __post_init__(self) -> None:
        south = self.work.place.south
        limits = self.work.memory.wishes.watch.limits
        believed = (self.known.axis_enu, np.array(self.known.covariance_rad2))
        self._axis = AxisWatch(
            axis_enu=believed[0], covariance_rad2=believed[1], south=south, limits=limits
        )
        self._guide = GuideWatch(
            axis_enu=believed[0], covariance_rad2=believed[1], south=south, limits=limits
        )
        self._since = self.known.instant
        self._mount = MountLog(self.work.mount_now, self.work.clock)

    _axis: AxisWatch = field(init=False)
    _guide: GuideWatch = field(init=False)
    _since: datetime = field(init=False)
    _mount: MountLog = field(init=False)

    @property
    def _clock(self) -> Clock:
        return self.work.clock

    def known_axis(self) -> KnownAxis:
        """Return where the axis is believed to be now."""
        if not self.alarms:
            return self.known
        return KnownAxis(
            axis_enu=self._axis.axis_enu,
            covariance_rad2=self._axis.covariance_rad2,
            instant=self._clock.now(),
            doubtful=True,
        )

    async def run(self) -> None:
        """Look at what comes, for ever."""
        self.inputs.begin()
        self.tell()
        async with asyncio.TaskGroup() as group:
            group.create_task(self._look_at_frames())
            group.create_task(self._look_at_offsets())
            group.create_task(self._tell_on())
            group.create_task(self._mount.keep())

    async def _tell_on(self) -> None:
        while True:
            await self._clock.sleep(_TOLD_EVERY_S)
            self.tell()

    async def _look_at_frames(self) -> None:
        measurer = self._measurer()
        while True:
            try:
                measured = await measurer.measure(0.0)
            except MeasurementError as failure:
                if failure.code == "optics_changed":
                    measurer = self._measurer()
                self.unsolved += 1
                _log.info("a frame is passed over: %s", failure.text)
                self.tell(failure)
                continue
            self.frames += 1
            moved = await asyncio.to_thread(self._axis.see, self._seen(measured))
            self._last_frame = measured.observed.instant
            if moved is not None:
                self._raise(moved)
            self._doubt()
            self.tell()

    def _measurer(self) -> FrameMeasurer:
        """Return what solves frames of whatever optics others use."""
        devices = self.work.devices
        return FrameMeasurer(
            _HandedCamera(self.inputs),
            devices.measurer.solver,
            devices.place,
            self._clock,
            SolveHint(),
            trains=self.work.experience.trains,
        )

    def _seen(self, measured: Measured) -> Seen:
        alone = None
        until = measured.observed.instant
        if self._last_frame is not None:
            alone = self._mount.left_alone(self._last_frame, until)
        return Seen(observed=measured.observed, left_alone=alone)

    async def _look_at_offsets(self) -> None:
        while True:
            offset = await self.inputs.next_offset()
            self.offsets += 1
            moved = await asyncio.to_thread(self._guide.see, self._star(offset))
            self._last_offset = offset.instant
            if moved is not None:
                self._raise(moved)
                self.tell()
            self._doubt()

    def _star(self, offset: GuideOffset) -> GuideStar:
        alone, direction = None, None
        hour, declination = offset.hour_angle_deg, offset.declination_deg
        place = self.work.place
        status = self._mount.at(offset.instant)
        if self._last_offset is not None:
            alone = self._mount.left_alone(self._last_offset, offset.instant)
        if hour is None and status is not None and status.right_ascension_deg is not None:
            hour = hour_angle_deg(status.right_ascension_deg, offset.instant, place)
            declination = status.declination_deg
        if hour is not None and declination is not None:
            direction = self._direction(offset.instant, hour, declination)
        return GuideStar(
            instant=offset.instant,
            north_rad=offset.declination_arcsec * ARCSEC_RAD,
            direction_enu=direction,
            left_alone=alone,
            anew=offset.anew,
        )

    def _direction(self, instant: datetime, hour_deg: float, declination_deg: float) -> Vector:
        place = self.work.place
        moment = ObservingMoment.at(place, instant)
        right_ascension = math.radians(right_ascension_deg(hour_deg, instant, place))
        star = moment.icrs_from_of_date(right_ascension, math.radians(declination_deg))
        return moment.enu_from_icrs(star)

    def _raise(self, moved: AxisMoved) -> None:
        """Tell everybody that the axis moved."""
        alarm = alarm_body(moved, self._clock.now())
        self.alarms = [*self.alarms, alarm][-_MOST_ALARMS:]
        self._since = self._clock.now()
        self.work.teller.event(
            alarm_words(moved, self._axis.axis_enu), remedy=_REMEDY, code="moved"
        )
        self.work.reply({"step": str(alarm["words"]), "alarm": alarm})

    def _doubt(self) -> None:
        """Tell of a jump that nobody can vouch for."""
        jumps = self._axis.jumps + self._guide.jumps
        if jumps > self._doubtful:
            self.work.teller.event(
                "the picture jumped along declination by more than a dither, and no mount is "
                "connected that could say whether it was sent",
                remedy="If nobody moved it, look at the tripod. With the mount connected here such "
                "a jump is an alarm or nothing.",
                code="field_jumped",
            )
        self._doubtful = jumps

    def tell(self, failure: MeasurementError | None = None, *, watching: bool = True) -> None:
        """Tell how the watch goes."""
        message = watch_message(
            watching=watching,
            believed_since=self._since,
            looked_at=self.inputs.words,
            frames=self.frames,
            unsolved=self.unsolved,
            offsets=self.offsets,
            last_frame=self._last_frame,
            last_offset=self._last_offset,
            mount_vouches=self._mount.answers,
            alarms=self.alarms,
        )
        self.work.teller.watch(message)
        if watching:
            step = "watching" if not self.alarms else str(self.alarms[-1]["words"])
            self.work.teller.state(step=step, frames=self.frames, reason=failure)
