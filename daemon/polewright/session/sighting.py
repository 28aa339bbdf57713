"""Sighting: point at the Sun, the Moon or a planet by day, and see what that says of the axis.

What is measured is where the mount says that it points when a body of known place stands in the
middle of the picture.  How the camera is turned is learned from two small moves of the mount.
"""

import asyncio
import logging
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from polewright.core.axis.picture_axes import PictureAxes, Placed
from polewright.core.axis.sighting_plan import LOWEST_RAD
from polewright.core.axis.sightings import Sighting, optical_axis_enu
from polewright.core.errors import MeasurementError, SafetyError, UsageError
from polewright.core.geometry.directions import ARCSEC_RAD, wrap_half_turn
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.bodies import BodyPlace, body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.mount_frame import hour_angle_deg
from polewright.ports import PierSide
from polewright.session.body_frames import BodyFrame, BodyFrames
from polewright.session.local_time import local_zone
from polewright.session.messages import Message, sights_message
from polewright.session.safety import GuardedMount
from polewright.session.sights import PLANETS_AND_MOON, Sights
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# The looks of one sight, whose mean counts.
_FRAMES = 3
_CENTRING_ROUNDS = 4
# The mount moves by this part of the picture's height to show how the camera is turned.
_NUDGE_PART = 0.25
# It comes to the middle from this far (part of the picture's height).
_APPROACH_PART = 0.15
# Where a body is not in the picture, its neighbourhood is searched in steps of this part of it.
_SEARCH_PART = 0.7
_RING = ((1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1))
# Where nobody says how large the picture is (rad).
_USUAL_PICTURE_RAD = math.radians(0.7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the mount showed at an instant (rad; west and north positive)."""

    hour_angle_rad: float
    declination_rad: float
    beyond_the_pole: bool


async def take_sight(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Take one sight of a body, and tell what all sights say of the axis.

    Raises
    ------
    UsageError
        ``no_mount``, ``nothing_to_sight``.
    SafetyError
        ``no_solar_filter``, ``filter_on``, ``too_much_light``; what the interlocks refuse.
    MeasurementError
        ``body_too_low``, ``sights_disagree``, or there is no sure centre.
    DeviceError, LinkError
        From mount and camera.
    """
    mount = work.devices.mount
    if mount is None:
        raise UsageError(
            "a sight needs a mount that says where it points",
            remedy="Connect the mount; or rough in by a phone: polewright adjust --by sensor.",
            code="no_mount",
        )
    memory, place = work.memory, work.devices.place
    memory.wishes = memory.wishes.asked(arguments)
    target = memory.wishes.target_enu(place)
    sights = memory.sights
    if sights is None or sights.mount != mount.name or arguments.get("anew"):
        camera = work.devices.camera.name
        earlier = work.experience.pointing(mount.name, camera, at_home=not arguments.get("anew"))
        sights = Sights.begin(mount.name, place, memory.wishes.sights, earlier)
    elif arguments.get("turned"):
        sights.turned(target)
    memory.sights = sights
    named = arguments.get("body")
    body = Body(named) if named else _best_now(work, mount)
    sight = _Sight(work, mount, sights, body)
    sighting = await sight.take(pointed=bool(arguments.get("pointed")))
    await asyncio.to_thread(sights.add, sighting, body)
    message = await asyncio.to_thread(_told, work, mount, sights, target)
    message = work.teller.survey(message)
    _log.info(
        "%s: the axis is off by %.2f arcmin +- %.2f; %s", sighting.label,
        message["total_error_arcmin"], message["total_error_sigma_arcmin"], message["advice"],
    )  # fmt: skip
    return message


def _told(work: Workplace, mount: GuardedMount, sights: Sights, target: Vector) -> Message:
    wishes = work.memory.wishes
    limits = wishes.limits
    advice, untold = sights.advice(
        work.clock.now(),
        local_zone(),
        bodies=(Body.SUN,) if mount.solar_filter else PLANETS_AND_MOON,
        hours_deg=(limits.hour_angle_min_deg, limits.hour_angle_max_deg),
        sigma_rad=wishes.sights.repeatability_arcsec * ARCSEC_RAD,
        nearest_to_sun_rad=math.radians(limits.sun_cone_deg),
        tolerance_arcsec=wishes.tolerance_arcsec,
        both_sides=limits.allow_meridian_crossing,
    )
    correction = sights.correction(target, wishes.tolerance_arcsec)
    return sights_message(sights.fit, correction, wishes.target_pole, advice=advice, untold=untold)


def _best_now(work: Workplace, mount: GuardedMount) -> Body:
    """Return what may be looked at now: the Sun behind its filter, else the highest of others."""
    if mount.solar_filter:
        return Body.SUN
    now = work.clock.now()
    cone_rad = math.radians(work.memory.wishes.limits.sun_cone_deg)
    seen = [body_place(body, work.devices.place, now) for body in PLANETS_AND_MOON]
    usable = [
        one for one in seen if one.altitude_rad > LOWEST_RAD and one.elongation_rad > cone_rad
    ]
    if not usable:
        raise UsageError(
            "neither Moon nor Venus nor Jupiter stands high enough and clear of the Sun now",
            remedy="Wait (polewright sun tells when they do), or put the solar filter IN FRONT of "
            "the objective, confirm it, and sight the Sun.",
            code="nothing_to_sight",
        )
    return max(usable, key=lambda one: one.altitude_rad).body


def refuse_by_light(body: Body, mount: GuardedMount) -> None:
    """Refuse the Sun without a filter, and all else behind one.

    Raises
    ------
    SafetyError
        ``no_solar_filter``, ``filter_on``.
    """
    if body is Body.SUN and not mount.solar_filter:
        raise SafetyError(
            "nobody has confirmed a solar filter on this camera's tube: the Sun is not looked at",
            remedy="Put a whole filter IN FRONT of the objective, cap every other tube and finder, "
            "never look through anything; then: polewright solar-filter CAMERA.",
            code="no_solar_filter",
        )
    if body is not Body.SUN and mount.solar_filter:
        raise SafetyError(
            "the solar filter is on, by your word: nothing but the Sun shows through it",
            remedy="Cap the tube, take the filter off, then: polewright solar-filter CAMERA "
            "--removed.",
            code="filter_on",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighted:
    """What was sighted last, with the mount as it still stands."""

    mount: GuardedMount
    sights: Sights
    last: Sighting
    body: Body


def sighted(work: Workplace) -> Sighted | None:
    """Return what was sighted last; None without a sight of this mount since the bolts turned."""
    mount, sights = work.devices.mount, work.memory.sights
    if mount is None or sights is None or sights.mount != mount.name:
        return None
    if not sights.sightings or sights.body is None:
        return None
    return Sighted(mount=mount, sights=sights, last=sights.sightings[-1], body=sights.body)


class Sighter:
    """Looks at one body with one mount and camera, and knows what the mount showed meanwhile."""

    def __init__(
        self, work: Workplace, mount: GuardedMount, frames: BodyFrames, body: Body
    ) -> None:
        self._work = work
        self._mount = mount
        self.frames = frames
        self.body = body

    def body_now(self) -> BodyPlace:
        """Return where the body stands now."""
        return self.body_at(self._work.clock.now())

    def body_at(self, instant: datetime) -> BodyPlace:
        """Return where the body stands at an instant."""
        return body_place(self.body, self._work.devices.place, instant)

    async def look(self) -> tuple[BodyFrame, Reading]:
        """Take a frame, and return it with what the mount showed at its middle.

        Raises
        ------
        MeasurementError, SafetyError, DeviceError, LinkError
            As :meth:`BodyFrames.find` and :func:`refuse_by_light`, whose word may be taken back
            meanwhile; ``position_unknown``.
        """
        refuse_by_light(self.body, self._mount)
        frame = await self.frames.find(self.body_now())
        return frame, await self.reading(frame.instant)

    async def reading(self, instant: datetime) -> Reading:
        """Return what the mount showed at an instant just now."""
        status = await self._mount.status()
        if status.right_ascension_deg is None or status.declination_deg is None:
            raise MeasurementError(
                f"{self._mount.name} does not say where it points",
                remedy="Check its connection.",
                code="position_unknown",
            )
        # A mount that tracks showed the same right ascension then; one that stands, the same
        # hour angle.
        then = self._work.clock.now() if status.tracking is False else instant
        hour_angle = hour_angle_deg(status.right_ascension_deg, then, self._work.devices.place)
        return Reading(
            hour_angle_rad=math.radians(hour_angle),
            declination_rad=math.radians(status.declination_deg),
            beyond_the_pole=status.pier_side is PierSide.WEST,
        )

    def placed(self, frame: BodyFrame, reading: Reading) -> Placed:
        """Return where the body stands in the picture and from the mount's own place."""
        seen = self.body_at(frame.instant)
        body_hour = math.radians(
            hour_angle_deg(
                math.degrees(seen.right_ascension_rad), frame.instant, self._work.devices.place
            )
        )
        x, y = frame.from_middle_px
        apart = wrap_half_turn(body_hour - reading.hour_angle_rad)
        return Placed(
            x_px=x,
            y_px=y,
            west_rad=apart * math.cos(seen.declination_rad),
            north_rad=seen.declination_rad - reading.declination_rad,
        )

    def sighting(
        self,
        seen: Sequence[tuple[BodyFrame, Reading]],
        axes: PictureAxes,
        north_end_enu: Vector,
        repeatability_rad: float,
    ) -> Sighting:
        """Return what several frames of a body at one place of the mount say together."""
        frame, reading = seen[-1]
        steps = [one.from_middle_px for one, _ in seen]
        x = sum(step[0] for step in steps) / len(steps)
        y = sum(step[1] for step in steps) / len(steps)
        west, north = axes.offset_rad(x, y)
        body = self.body_at(frame.instant)
        centroid_rad = frame.centre.sigma_px * axes.scale_rad_px / math.sqrt(len(seen))
        step_rad = math.hypot(west, north) * axes.relative_sigma
        return Sighting(
            hour_angle_rad=reading.hour_angle_rad,
            declination_rad=reading.declination_rad,
            beyond_the_pole=reading.beyond_the_pole,
            direction_enu=optical_axis_enu(body.direction_enu, west, north, north_end_enu),
            sigma_rad=math.hypot(centroid_rad, step_rad, repeatability_rad, body.accuracy_rad),
            label=f"{self.body.value.capitalize()} {frame.instant:%H:%M:%S} UTC",
        )


class _Sight:
    """One sight: point, search, learn the picture's axes, centre, and look."""

    def __init__(self, work: Workplace, mount: GuardedMount, sights: Sights, body: Body) -> None:
        self._work = work
        self._mount = mount
        self._sights = sights
        scale = work.devices.measurer.hint.scale_arcsec_px
        self._sighter = Sighter(work, mount, BodyFrames(work.devices.camera, scale), body)
        self._body = body
        self._frames = 0

    async def take(self, *, pointed: bool) -> Sighting:
        """Take it; ``pointed``: the person has brought the body into the picture already."""
        seen = self._sighter.body_now()
        if seen.altitude_rad < LOWEST_RAD:
            raise MeasurementError(
                f"the {self._name} stands {math.degrees(seen.altitude_rad):.0f} deg high: too low, "
                "the air bends its light by an unknown amount",
                remedy=f"Wait until it is over {math.degrees(LOWEST_RAD):.0f} deg.",
                code="body_too_low",
            )
        refuse_by_light(self._body, self._mount)
        if not pointed:
            await self._point(seen)
        found = await self._found(may_search=not pointed)
        beyond = found[1].beyond_the_pole
        axes = self._sights.axes_on(beyond=beyond)
        if axes is None:
            axes = await self._learn(found)
            self._sights.learn_axes(axes, beyond=beyond)
        return await self._measured(axes)

    @property
    def _name(self) -> str:
        return self._body.value.capitalize()

    def _say(self, step: str) -> None:
        self._work.teller.state(step=step, frames=self._frames)
        self._work.reply({"step": step})

    async def _point(self, seen: BodyPlace) -> None:
        self._say(f"turning to the {self._name}")
        side = (await self._mount.status()).pier_side is PierSide.WEST
        hour_angle, declination = self._sights.fit.readings_for(
            seen.direction_enu, beyond_the_pole=side
        )
        await self._mount.turn_to(math.degrees(hour_angle), math.degrees(declination))

    async def _look(self) -> tuple[BodyFrame, Reading]:
        self._frames += 1
        return await self._sighter.look()

    async def _found(self, *, may_search: bool) -> tuple[BodyFrame, Reading]:
        self._say(f"looking for the {self._name}")
        try:
            return await self._look()
        except MeasurementError as failure:
            if not may_search:
                raise self._not_found(failure) from failure
            missing = failure
        start = await self._sighter.reading(self._work.clock.now())
        across_rad = await self._picture_rad() * _SEARCH_PART
        for west, north in _RING:
            self._say(f"looking about for the {self._name}")
            await self._nudge(start, west * across_rad, north * across_rad)
            try:
                return await self._look()
            except MeasurementError as failure:
                missing = failure
        raise self._not_found(missing)

    def _not_found(self, failure: MeasurementError) -> MeasurementError:
        return MeasurementError(
            f"the {self._name} is not found: {failure.text}",
            remedy="Bring it into the picture with the mount's own keys - by the picture, never "
            f"by eye - then: polewright sight {self._body.value} --pointed.",
            code="body_not_found",
        )

    async def _picture_rad(self) -> float:
        info = await self._work.devices.camera.info()
        scale = self._sighter.frames.scale_rad_px
        if scale is None or info.height_px is None:
            return _USUAL_PICTURE_RAD
        return scale * info.height_px

    async def _nudge(self, start: Reading, west_rad: float, north_rad: float) -> None:
        """Turn to a place west and north of where a reading was."""
        declination = start.declination_rad + north_rad
        hour_angle = start.hour_angle_rad + west_rad / max(math.cos(declination), 0.05)
        await self._mount.turn_to(math.degrees(hour_angle), math.degrees(declination))

    async def _approach(self, start: Reading, west_rad: float, north_rad: float) -> None:
        """Turn there always from the east and from the south: play in the gears is taken up."""
        before_rad = await self._picture_rad() * _APPROACH_PART
        await self._nudge(start, west_rad - before_rad, north_rad - before_rad)
        await self._nudge(start, west_rad, north_rad)

    async def _learn(self, found: tuple[BodyFrame, Reading]) -> PictureAxes:
        """Return the picture's axes from two nudges; each the other way where the body is lost."""
        self._say("learning how the camera is turned, by small moves")
        start = found[1]
        step_rad = await self._picture_rad() * _NUDGE_PART
        await self._approach(start, 0.0, 0.0)
        seen = [self._sighter.placed(*await self._look())]
        for west, north in ((0.0, step_rad), (step_rad, 0.0)):
            await self._approach(start, west, north)
            try:
                looked = await self._look()
            except MeasurementError:
                await self._approach(start, -west, -north)
                looked = await self._look()
            seen.append(self._sighter.placed(*looked))
        repeatability = self._work.memory.wishes.sights.repeatability_arcsec * ARCSEC_RAD
        return PictureAxes.learned(seen, self._sighter.frames.scale_rad_px, sigma_rad=repeatability)

    async def _measured(self, axes: PictureAxes) -> Sighting:
        """Bring the body to the middle and look at it there."""
        self._say(f"bringing the {self._name} to the middle")
        frame, reading = await self._look()
        for _ in range(_CENTRING_ROUNDS):
            west, north = axes.offset_rad(*frame.from_middle_px)
            await self._approach(reading, west, north)
            frame, reading = await self._look()
            if frame.is_near_the_middle:
                break
        self._say(f"measuring the {self._name}")
        looks = [(frame, reading)]
        while len(looks) < _FRAMES:
            looks.append(await self._look())
        fit = self._sights.fit
        north_end = -fit.axis_enu if self._sights.place.south else fit.axis_enu
        repeatability = self._work.memory.wishes.sights.repeatability_arcsec * ARCSEC_RAD
        return self._sighter.sighting(looks, axes, north_end, repeatability)
