"""Limits of motion: the Sun's cone, the altitude floor and horizon, hour angles, the meridian."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from polewright.core.errors import SafetyError
from polewright.core.geometry.directions import altaz_from_enu
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.doubts import Bars, Doubt
from polewright.core.sky.place import Place
from polewright.core.sky.sun import SUN_HARMLESS_BELOW_RAD, sun_enu
from polewright.core.sky.ways import directions_enu, possible_ways

# So near the meridian a mount is on neither side yet (deg).
_ON_THE_MERIDIAN_DEG = 1.0
# A mount that already points too low may leave, but go no lower than by this (deg).
_NO_LOWER_DEG = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyLimits:
    """The limits that a motion must keep.

    ``axis_uncertainty_deg`` widens the Sun's cone: a mount whose axis is off by that much points
    off by as much.  ``horizon`` lists (azimuth, altitude) of the horizon's outline (deg).
    """

    sun_cone_deg: float = 20.0
    altitude_floor_deg: float = 15.0
    hour_angle_min_deg: float = -90.0
    hour_angle_max_deg: float = 90.0
    axis_uncertainty_deg: float = 3.0
    horizon: tuple[tuple[float, float], ...] = ()
    allow_meridian_crossing: bool = False

    def above_floor_deg(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far directions (n x 3) stand above floor and horizon (deg)."""
        altitudes = np.degrees(np.arcsin(np.clip(directions[:, 2], -1.0, 1.0)))
        azimuths = np.degrees(np.arctan2(directions[:, 0], directions[:, 1])) % 360.0
        return altitudes - np.maximum(self.altitude_floor_deg, self._horizons_deg(azimuths))

    def _horizons_deg(self, azimuths_deg: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the altitude of what stands on the horizon there (trees, a house; deg)."""
        if not self.horizon:
            return np.full(azimuths_deg.shape, -90.0)
        azimuths, altitudes = zip(*sorted(self.horizon), strict=True)
        return np.asarray(np.interp(azimuths_deg, azimuths, altitudes, period=360.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Where and when something is to move, and what holds there.

    ``filtered``: the Sun's cone is lifted for the camera in use.  ``changes_sides``: the mount is
    one that goes round its pier.
    """

    limits: SafetyLimits
    place: Place
    now: datetime
    filtered: bool = False
    changes_sides: bool = True

    @property
    def sun(self) -> Vector | None:
        """The Sun's direction without the air; None while it is too low to harm."""
        return _harmful_sun(self.place, self.now.replace(microsecond=0))


@lru_cache(maxsize=8)
def _harmful_sun(place: Place, second: datetime) -> Vector | None:
    """Return the Sun's direction to the second: a plan asks for it a hundred times."""
    sun = sun_enu(replace(place, pressure_hpa=0.0), second)
    return sun if altaz_from_enu(sun)[0] > SUN_HARMLESS_BELOW_RAD else None


def refuse_way(scene: Scene, start_deg: tuple[float, float], end_deg: tuple[float, float]) -> None:
    """Refuse a slew between two places (hour angle, declination; deg) that could do harm.

    Raises
    ------
    SafetyError
        ``hour_angle_limit``, ``sun``, ``meridian`` or ``altitude_floor``.
    """
    _refuse_hour_angle(scene.limits, end_deg[0])
    ways = possible_ways(start_deg, end_deg, scene.place)
    sun = None if scene.filtered else scene.sun
    if sun is not None:
        for way in ways:
            _refuse_sun(scene.limits, way.directions_enu(scene.place), sun)
    crosses = start_deg[0] * end_deg[0] < 0.0 and min(
        abs(start_deg[0]), abs(end_deg[0])
    ) > _ON_THE_MERIDIAN_DEG  # fmt: skip
    if crosses and not scene.limits.allow_meridian_crossing:
        raise SafetyError(
            "the way crosses the meridian, where mounts go round their pier and tear cables",
            remedy="Stay on one side, or set [safety] allow_meridian_crossing = true after "
            "looking at cables and tripod.",
            code="meridian",
        )
    # A mount that already points low may leave, but not go lower.
    start = directions_enu(np.array([start_deg[0]]), np.array([start_deg[1]]), scene.place)
    allowance = min(0.0, float(scene.limits.above_floor_deg(start)[0]) - _NO_LOWER_DEG)
    for way in ways:
        if way.round_the_pier and not (crosses and scene.changes_sides):
            continue
        _refuse_low(scene.limits, way.directions_enu(scene.place), allowance)


def refuse_place(scene: Scene, hour_angle_deg: float, declination_deg: float) -> None:
    """Refuse a place that a mount must not point to, the way to it left aside.

    Raises
    ------
    SafetyError
        ``hour_angle_limit``, ``sun`` or ``altitude_floor``.
    """
    _refuse_hour_angle(scene.limits, hour_angle_deg)
    there = directions_enu(np.array([hour_angle_deg]), np.array([declination_deg]), scene.place)
    sun = None if scene.filtered else scene.sun
    if sun is not None:
        _refuse_sun(scene.limits, there, sun)
    _refuse_low(scene.limits, there, 0.0)


def standing_leaves_the_sun(scene: Scene, hour_angle_deg: float, declination_deg: float) -> bool:
    """Return whether a mount that stops tracking there gets away from the Sun, or comes to it."""
    if (sun := scene.sun) is None:
        return True
    there = directions_enu(np.array([hour_angle_deg]), np.array([declination_deg]), scene.place)[0]
    later = _harmful_sun(scene.place, scene.now.replace(microsecond=0) + timedelta(minutes=5))
    return later is None or float(there @ later) <= float(there @ sun)


def _refuse_hour_angle(limits: SafetyLimits, hour_angle: float) -> None:
    if not limits.hour_angle_min_deg <= hour_angle <= limits.hour_angle_max_deg:
        raise SafetyError(
            f"an hour angle of {hour_angle:.0f} deg is outside the limits of "
            f"{limits.hour_angle_min_deg:.0f} to {limits.hour_angle_max_deg:.0f} deg",
            remedy="If the mount does not point there at all, its site or time is missing or "
            "wrong: set them at the mount; `polewright doctor` compares them. Else choose a place "
            "nearer the meridian, or widen the limits if the mount can go there.",
            code="hour_angle_limit",
        )


def _refuse_sun(limits: SafetyLimits, directions: NDArray[np.float64], sun: Vector) -> None:
    nearest_deg = float(np.degrees(np.arccos(np.clip(np.max(directions @ sun), -1.0, 1.0))))
    if nearest_deg < limits.sun_cone_deg + limits.axis_uncertainty_deg:
        raise SafetyError(
            f"the way may come within {nearest_deg:.0f} deg of the Sun, which would burn eye and "
            "camera",
            remedy="Choose another part of the sky; cap every tube and finder that has no "
            "solar filter.",
            code="sun",
        )


def _refuse_low(
    limits: SafetyLimits, directions: NDArray[np.float64], allowance_deg: float
) -> None:
    lowest_deg = float(np.min(limits.above_floor_deg(directions)))
    if lowest_deg < allowance_deg:
        raise SafetyError(
            f"the way goes {-lowest_deg:.0f} deg below the altitude floor or the horizon",
            remedy="Start from a higher place, or lower [safety] altitude_floor_deg if the "
            "horizon is free.",
            code="altitude_floor",
        )


def refuse_in_doubt(scene: Scene, doubts: Sequence[Doubt]) -> None:
    """Refuse any motion while place or time are in doubt; some doubts matter by day only.

    Raises
    ------
    SafetyError
        ``place_or_time_in_doubt``.
    """
    for doubt in doubts:
        by_day = doubt.bars is Bars.BY_DAY and scene.sun is not None
        if doubt.bars is Bars.ALWAYS or by_day:
            raise SafetyError(
                f"place or time are in doubt: {doubt.text}; {doubt.consequence}",
                remedy=doubt.remedy,
                code="place_or_time_in_doubt",
            )
