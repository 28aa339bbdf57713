"""Adjusting by a body: the Sun, the Moon or a planet is kept in the picture while bolts turn.

Nothing moves but by the person's hands.  What is known of the mount comes from sights before.
"""

import asyncio
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from polewright.core.axis.bolts import level_bolts, rotation_of, turns_between
from polewright.core.axis.correction import Verdict, correct
from polewright.core.axis.estimate import Method
from polewright.core.axis.knobs import Bolt
from polewright.core.axis.picture_axes import PictureAxes
from polewright.core.axis.sightings import Sighting
from polewright.core.axis.targets import StarTarget
from polewright.core.axis.turned_mount import FollowedMount, sight_geometry
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import unit
from polewright.core.geometry.rotations import Vector
from polewright.ports import Clock
from polewright.session.adjustment import run_adjustment
from polewright.session.aim import Aim
from polewright.session.body_frames import BodyFrame, BodyFrames
from polewright.session.following import LiveCorrection, validity_s, worth_telling
from polewright.session.knob_reports import KnobReports
from polewright.session.live_telling import LiveTelling, verdict_of
from polewright.session.messages import Message
from polewright.session.sighting import Sighter, refuse_by_light, sighted
from polewright.session.sights import Sights
from polewright.session.workplace import Workplace

# Where one body tells the bolts apart this badly, it is no use (see `sight_geometry`).
_LEAST_GEOMETRY = 0.15
_PAUSE_AFTER_FAILURE_S = 0.5


async def adjust_by_body(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Follow the axis by the body that was sighted last, while hands turn the bolts.

    Raises
    ------
    UsageError
        ``no_sights``; ``not_by_bodies``: motors are asked for.
    MeasurementError
        ``poor_geometry``; ``body_not_found`` before anything was turned.
    SafetyError, DeviceError, LinkError
        ``no_solar_filter``, ``filter_on``; from mount and camera.
    """
    if arguments.get("motors"):
        raise UsageError(
            "motors are not turned by a body: their steps are learned from stars",
            remedy="Turn the bolts by hand, or adjust by stars.",
            code="not_by_bodies",
        )
    memory = work.memory
    found = sighted(work)
    if found is None:
        raise UsageError(
            "no sight was taken since the last turn of the bolts, so there is nothing to adjust "
            "from",
            remedy="Take one first: polewright sight.",
            code="no_sights",
        )
    mount, sights, last, body = found.mount, found.sights, found.last, found.body
    refuse_by_light(body, mount)
    if sight_geometry(last, sights.fit.terms, sights.place) < _LEAST_GEOMETRY:
        raise MeasurementError(
            f"the {body.value.capitalize()} stands where it cannot tell the two bolts apart",
            remedy="Wait until it is away from due east or west near the horizon, and from "
            "overhead; or turn by the amounts told, then: polewright sight --turned.",
            code="poor_geometry",
        )
    axes = sights.axes_on(beyond=last.beyond_the_pole)
    if axes is None:
        raise AssertionError("a sight has learned the picture's axes")
    memory.wishes = memory.wishes.asked(arguments)
    work.teller.begin_adjustment()
    telling = LiveTelling(work, f"turn the bolts, the {body.value.capitalize()} in the picture")
    frames = BodyFrames(work.devices.camera, work.devices.measurer.hint.scale_arcsec_px)
    follower = BodyFollower(
        Sighter(work, mount, frames, body),
        work.clock,
        sights,
        axes,
        Aim(memory, work.devices.place),
        lean_rad=math.radians(memory.wishes.sights.level_sigma_deg),
        telling=telling,
        reports=work.knobs,
    )
    try:
        final = await run_adjustment(
            follower, work.knobs, work.clock, until_good=bool(arguments.get("stop_when_good"))
        )
    finally:
        sights.follow(follower.followed)
    return verdict_of(final)


class BodyFollower:
    """Follows the axis by one body (implements ``LiveSource``)."""

    def __init__(
        self,
        sighter: Sighter,
        clock: Clock,
        sights: Sights,
        axes: PictureAxes,
        aim: Aim,
        *,
        lean_rad: float,
        telling: LiveTelling,
        reports: KnobReports,
    ) -> None:
        self._sighter = sighter
        self._clock = clock
        self._south = sights.place.south
        self._axes = axes
        self._aim = aim
        self._telling = telling
        self._reports = reports
        self.followed = FollowedMount.of(sights.fit, lean_rad)
        self._sequence = 0
        self._held = False
        self._last_good_s = clock.monotonic()

    async def look(self) -> LiveCorrection | None:
        """Look once and tell what it says; None where it says nothing.

        Raises
        ------
        SafetyError, DeviceError, LinkError
            From the camera or the mount.
        """
        began_s = self._clock.monotonic()
        try:
            frame, reading = await self._sighter.look()
            arrived_s = self._clock.monotonic()
            # The mount stands still: its repeatability is the sights', not the following's.
            sighting = self._sighter.sighting([(frame, reading)], self._axes, self._north_end, 0.0)
            noise_rad = frame.centre.sigma_px * self._axes.scale_rad_px
            self.followed = await asyncio.to_thread(self.followed.seen, sighting, noise_rad)
        except MeasurementError as failure:
            self._held = False
            self._telling.trouble(
                failure,
                self._clock.monotonic() - self._last_good_s,
                step="the body is not in the picture: turn back a little",
            )
            await self._clock.sleep(_PAUSE_AFTER_FAILURE_S)
            return None
        self._last_good_s = arrived_s
        self._sequence += 1
        live = self._correction(frame, sighting, began_s, arrived_s)
        self._telling.correction(live)
        self._held = live.correction.verdict is Verdict.GOOD_ENOUGH
        return live

    @property
    def _north_end(self) -> Vector:
        axis = self.followed.axis_enu
        return np.asarray(-axis if self._south else axis)

    def _correction(
        self,
        frame: BodyFrame,
        sighting: Sighting,
        began_s: float,
        arrived_s: float,
    ) -> LiveCorrection:
        axis = self.followed.axis_enu
        bolts = level_bolts(axis)
        target_enu, tolerance_rad = self._aim()
        turns = turns_between(bolts, axis, target_enu)
        correction = correct(
            axis,
            self.followed.axis_covariance_rad2,
            target_enu,
            tolerance_rad=tolerance_rad,
            bolt_turns=turns,
            held=self._held,
        )
        knobs = self._reports.advice(turns)
        body = self._sighter.body_at(frame.instant).direction_enu
        goal = self._target_px(frame, sighting.direction_enu, rotation_of(bolts, turns).T @ body)
        return LiveCorrection(
            correction=correction,
            sequence=self._sequence,
            frame_age_s=max(0.0, (self._clock.now() - frame.instant).total_seconds()),
            latency_ms=1000.0 * (self._clock.monotonic() - arrived_s),
            altitude_knob=worth_telling(knobs[Bolt.ALTITUDE], correction.altitude_words),
            azimuth_knob=worth_telling(knobs[Bolt.AZIMUTH], correction.azimuth_words),
            targets=(
                StarTarget(
                    x_px=frame.centre.x_px, y_px=frame.centre.y_px, to_x_px=goal[0], to_y_px=goal[1]
                ),
            ),
            width_px=frame.width_px,
            height_px=frame.height_px,
            valid_s=validity_s(self._clock.monotonic() - began_s),
            method=Method.BODIES,
        )

    def _target_px(
        self, frame: BodyFrame, pointed_enu: Vector, goal_enu: Vector
    ) -> tuple[float, float]:
        """Return where in the picture the body comes to be once the bolts are right (px)."""
        west = unit(np.cross(pointed_enu, self._north_end))
        north = np.cross(west, pointed_enu)
        depth = float(goal_enu @ pointed_enu)
        offset = np.array([float(goal_enu @ west), float(goal_enu @ north)]) / depth
        columns, rows = np.linalg.solve(self._axes.matrix_rad_px, offset)
        return (
            0.5 * (frame.width_px - 1) + float(columns),
            0.5 * (frame.height_px - 1) + float(rows),
        )
