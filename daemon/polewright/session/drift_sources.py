"""Drift sources: what is seen of a tracked target, a field of stars by night, a body by day."""

import logging
import math

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.drift import DriftEstimate, DriftTrack, Wander
from polewright.core.axis.drift_monitor import DriftMonitor
from polewright.core.axis.field_track import FieldTrack
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between, wrap_half_turn
from polewright.core.geometry.rotations import Vector
from polewright.session.body_frames import BodyFrames
from polewright.session.exposing import LiveExposure
from polewright.session.measuring import Measured
from polewright.session.sighting import Reading, Sighter, refuse_by_light, sighted
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# From one frame to the next a tracked target wanders less than this: worm, wind and axis together.
_JUMP_RAD = 20.0 * ARCSEC_RAD
_JUMP_RATE_RAD_S = 2.0 * ARCSEC_RAD
# Farther is another target; nearer is a knock, a nudge, guiding.
_ELSEWHERE_RAD = math.radians(0.3)
# What a mount says of itself is taken for a move from here on (rad): a reading's time is uncertain.
_SENT_RAD = math.radians(0.05)
# The picture's axes of sights by day are learned to about this (rad).
_PICTURE_AXES_SIGMA_RAD = math.radians(1.5)


class _Source:
    """What both kinds of looks share: targets one after the other, and what spoils a track."""

    doing = ""
    monitor: DriftMonitor[FieldTrack] | DriftMonitor[DriftTrack]

    def __init__(self, work: Workplace) -> None:
        self._work = work

    def estimate(self) -> DriftEstimate | None:
        """Return the axis as far as it shows."""
        return self.monitor.estimate()

    def _went_on(self, away_rad: float, elapsed_s: float) -> None:
        """Take note of how far the target is from where it was: a new track where it jumped."""
        if away_rad < _JUMP_RAD + _JUMP_RATE_RAD_S * elapsed_s:
            return
        if away_rad < _ELSEWHERE_RAD:
            self._work.teller.event(
                f"the picture jumped by {away_rad / ARCSEC_RAD:.0f} arcsec while tracking, so the "
                "drift check begins anew",
                remedy="Leave the bolts, guiding off, the tripod alone; keep away from it.",
                code="drift_disturbed",
            )
            self.monitor.earlier.clear()
            self.monitor.track = self.monitor.track.emptied()
        else:
            _log.info("another target: what the one before has told is kept")
            self.monitor.next_target()


class FieldDrift(_Source):
    """Looks at a field of stars (implements ``DriftSource``)."""

    doing = "tracking a field, nothing may be touched"

    def __init__(
        self, work: Workplace, pole: Vector, prior: NDArray[np.float64], exposure: LiveExposure
    ) -> None:
        super().__init__(work)
        self._exposure = exposure
        self._last: Measured | None = None
        self.monitor: DriftMonitor[FieldTrack] = DriftMonitor(
            axis_enu=pole, covariance_rad2=prior, south=work.place.south, track=FieldTrack()
        )

    @classmethod
    async def begin(
        cls,
        work: Workplace,
        pole: Vector,
        prior: NDArray[np.float64],
        exposure_s: float | None,
    ) -> "FieldDrift":
        """Find an exposure that serves, where none is said, and begin."""
        devices, wishes = work.devices, work.memory.wishes
        said_s = exposure_s or wishes.survey.exposure_s
        if said_s is None:
            found = await devices.exposures.find(devices.measurer)
            said_s = found.exposure_s
        longest_s = max(said_s, await devices.exposures.longest_live_s())
        return cls(work, pole, prior, LiveExposure(said_s, longest_s=longest_s))

    async def look(self) -> float:
        """Take and solve a frame."""
        try:
            measured = await self._work.devices.measurer.measure(self._exposure.exposure_s)
        except MeasurementError as failure:
            self._exposure.failed(failure)
            raise
        self._exposure.saw(measured.attitude)
        last, self._last = self._last, measured
        if last is not None:
            elapsed_s = (measured.observed.instant - last.observed.instant).total_seconds()
            if elapsed_s <= 0.0:
                raise MeasurementError(
                    "a frame is not later than the one before",
                    remedy="Check the camera's clock.",
                    code="no_time",
                )
            away = angle_between(measured.attitude.boresight_icrs, last.attitude.boresight_icrs)
            self._went_on(away, elapsed_s)
        self.monitor.add(measured.observed)
        return measured.arrived_s


class BodyDrift(_Source):
    """Looks at the body that was sighted last (implements ``DriftSource``).

    Raises
    ------
    UsageError
        ``no_sights``: nothing has shown yet how the camera is turned.
    SafetyError
        ``no_solar_filter``, ``filter_on``.
    """

    def __init__(self, work: Workplace, pole: Vector, prior: NDArray[np.float64]) -> None:
        super().__init__(work)
        found = sighted(work)
        if found is None:
            raise UsageError(
                "by day the drift shows only once a sight has learned how the camera is turned",
                remedy="Take one first: polewright sight.",
                code="no_sights",
            )
        mount = self._mount = found.mount
        self._body, self._sights = found.body, found.sights
        refuse_by_light(self._body, mount)
        name = self._body.value.capitalize()
        self.doing = f"tracking the {name}, nothing may be touched"
        frames = BodyFrames(work.devices.camera, work.devices.measurer.hint.scale_arcsec_px)
        self._sighter = Sighter(work, mount, frames, self._body)
        self._reading: Reading | None = None
        self.monitor: DriftMonitor[DriftTrack] = DriftMonitor(
            axis_enu=pole,
            covariance_rad2=prior,
            south=work.place.south,
            track=DriftTrack(wanders=(), camera_angle_sigma_rad=_PICTURE_AXES_SIGMA_RAD),
        )

    async def look(self) -> float:
        """Take a frame and find the body's centre in it."""
        frame, reading = await self._sighter.look()
        arrived_s = self._work.clock.monotonic()
        axes = self._sights.axes_on(beyond=reading.beyond_the_pole)
        if axes is None:
            raise MeasurementError(
                "on this side of the pier no sight has learned how the camera is turned",
                remedy="Take a sight here: polewright sight.",
                code="no_sights",
            )
        west, north = axes.offset_rad(*frame.from_middle_px)
        wander = Wander(
            instant=frame.instant,
            direction_enu=self._sighter.body_at(frame.instant).direction_enu,
            west_rad=west,
            north_rad=north,
            sigma_rad=max(frame.centre.sigma_px * axes.scale_rad_px, 0.2 * ARCSEC_RAD),
        )
        looks = self.monitor.track.looks
        if looks and self._reading is not None:
            last = looks[-1]
            elapsed_s = (wander.instant - last.instant).total_seconds()
            # A body moves along right ascension by itself: the Moon most.
            own = SIDEREAL_RATE_RAD_S * 0.04 * elapsed_s
            away = math.hypot(max(abs(west - last.west_rad) - own, 0.0), north - last.north_rad)
            self._went_on(max(away, self._sent(reading, elapsed_s)), elapsed_s)
        self._reading = reading
        self.monitor.add(wander)
        return arrived_s

    def _sent(self, reading: Reading, elapsed_s: float) -> float:
        """Return as how far off it counts where the mount says that it was sent (rad)."""
        before = self._reading
        if before is None:
            return 0.0
        turned = reading.hour_angle_rad - before.hour_angle_rad - SIDEREAL_RATE_RAD_S * elapsed_s
        sent = math.hypot(wrap_half_turn(turned), reading.declination_rad - before.declination_rad)
        flipped = before.beyond_the_pole is not reading.beyond_the_pole
        return _ELSEWHERE_RAD if flipped or sent > _SENT_RAD else 0.0
