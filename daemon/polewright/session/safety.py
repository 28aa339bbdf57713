"""Safety interlocks: every motion of the mount passes here, and nowhere else.

A mount that slews can pinch fingers, tear cables and run a tube into the pier; the Sun through
optics blinds and burns.  So: no motion before the person has said that the mount is clear to
move, none while parked, none whose way comes near the Sun, below the altitude floor or beyond
the hour-angle limits.  ``stop`` is never refused.
"""

import math
from dataclasses import dataclass

import numpy as np

from polewright.core.errors import DeviceError, SafetyError
from polewright.core.geometry.directions import altaz_from_enu, angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.mount_frame import enu_from_hour_angle, hour_angle_deg, right_ascension_deg
from polewright.core.sky.place import Place
from polewright.core.sky.sun import sun_enu
from polewright.ports import Clock, Mount, MountStatus

# The way of a slew is sampled this densely; the Sun's cone is far wider.
_PATH_STEP_DEG = 2.0
# A Sun this far below the horizon harms nothing (refraction and half its width: under 1 deg).
_SUN_HARMLESS_BELOW_DEG = -2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyLimits:
    """The limits that a motion must keep.

    ``axis_uncertainty_deg`` widens every limit: a mount whose axis is off by that much points
    off by as much.  ``horizon`` lists (azimuth, altitude) of the horizon's outline (deg).
    """

    sun_cone_deg: float = 20.0
    altitude_floor_deg: float = 15.0
    hour_angle_min_deg: float = -90.0
    hour_angle_max_deg: float = 90.0
    axis_uncertainty_deg: float = 3.0
    horizon: tuple[tuple[float, float], ...] = ()

    def horizon_deg(self, azimuth_deg: float) -> float:
        """Return the altitude of what stands on the horizon there (trees, a house; deg)."""
        if not self.horizon:
            return -90.0
        azimuths, altitudes = zip(*sorted(self.horizon), strict=True)
        return float(np.interp(azimuth_deg, azimuths, altitudes, period=360.0))


class GuardedMount:
    """A mount behind the interlocks; the session holds no other."""

    def __init__(self, mount: Mount, place: Place, clock: Clock, limits: SafetyLimits) -> None:
        self._mount = mount
        self._place = place
        self._clock = clock
        self._limits = limits
        self._clear_to_move = False

    @property
    def name(self) -> str:
        """The device's name."""
        return self._mount.name

    @property
    def clear_to_move(self) -> bool:
        """True once the person has said in this session that nothing is in the mount's way."""
        return self._clear_to_move

    def confirm_clear(self) -> None:
        """Take the person's word that the mount is clear to move, for this session."""
        self._clear_to_move = True

    def require_clear(self) -> None:
        """Refuse where nobody has said in this session that the mount is clear to move.

        Raises
        ------
        SafetyError
            ``not_confirmed_clear``.
        """
        if not self._clear_to_move:
            raise SafetyError(
                "nobody has confirmed that the mount is clear to move",
                remedy="Look: cables free, nothing in the way, fingers off. Then say so: "
                "polewright survey --clear, or the command confirm_clear.",
                code="not_confirmed_clear",
            )

    async def status(self) -> MountStatus:
        """Return what the mount believes now."""
        return await self._mount.status()

    async def abort(self) -> None:
        """Stop all motion at once; never refused."""
        await self._mount.abort()

    def may_point(self, hour_angle: float, declination: float) -> bool:
        """Return whether the camera may point there now, the way to it left aside (deg)."""
        limits = self._limits
        if not limits.hour_angle_min_deg <= hour_angle <= limits.hour_angle_max_deg:
            return False
        now = self._clock.now()
        direction = enu_from_hour_angle(hour_angle, declination, now, self._place)
        if self._altitude_above_floor_deg(direction) < 0.0:
            return False
        sun = sun_enu(self._place, now)
        if math.degrees(altaz_from_enu(sun)[0]) <= _SUN_HARMLESS_BELOW_DEG:
            return True
        distance = math.degrees(angle_between(direction, sun))
        return distance >= limits.sun_cone_deg + limits.axis_uncertainty_deg

    def _altitude_above_floor_deg(self, direction: Vector) -> float:
        """Return how far a direction stands above the floor and the horizon there (deg)."""
        altitude, azimuth = (math.degrees(angle) for angle in altaz_from_enu(direction))
        return altitude - max(self._limits.altitude_floor_deg, self._limits.horizon_deg(azimuth))

    async def turn_to(self, hour_angle: float, declination: float) -> None:
        """Turn to an hour angle and declination of date (deg) if the way is safe.

        Raises
        ------
        SafetyError
            Which limit it would break and what to do.
        DeviceError, LinkError
            From the mount.
        """
        status = await self._mount.status()
        now = self._clock.now()
        if not self._mount.capabilities.can_slew:
            raise DeviceError(
                f"{self.name} cannot go to a place by itself",
                remedy="Turn it by hand between frames.",
                code="cannot_slew",
            )
        self.require_clear()
        if status.parked:
            raise SafetyError(
                f"{self.name} is parked",
                remedy="Unpark it first, after looking that it is clear to move.",
                code="parked",
            )
        if status.right_ascension_deg is None or status.declination_deg is None:
            raise DeviceError(
                f"{self.name} does not say where it points, so its way cannot be checked",
                remedy="Reconnect the mount, or turn it by hand between frames.",
                code="position_unknown",
            )
        start = hour_angle_deg(status.right_ascension_deg, now, self._place)
        self._check_way(start, status.declination_deg, hour_angle, declination)
        await self._mount.slew_to(right_ascension_deg(hour_angle, now, self._place), declination)

    def _check_way(self, start_ha: float, start_dec: float, end_ha: float, end_dec: float) -> None:
        limits = self._limits
        if not limits.hour_angle_min_deg <= end_ha <= limits.hour_angle_max_deg:
            raise SafetyError(
                f"an hour angle of {end_ha:.0f} deg is outside the limits of "
                f"{limits.hour_angle_min_deg:.0f} to {limits.hour_angle_max_deg:.0f} deg",
                remedy="Choose a place nearer the meridian, or widen the limits if the mount can "
                "go there.",
                code="hour_angle_limit",
            )
        now = self._clock.now()
        sun = sun_enu(self._place, now)
        sun_up = math.degrees(altaz_from_enu(sun)[0]) > _SUN_HARMLESS_BELOW_DEG
        start = enu_from_hour_angle(start_ha, start_dec, now, self._place)
        # A mount that already points low may leave, but not go lower.
        allowance = min(0.0, self._altitude_above_floor_deg(start) - 0.1)
        for ha, dec in _ways(start_ha, start_dec, end_ha, end_dec):
            direction = enu_from_hour_angle(ha, dec, now, self._place)
            above = self._altitude_above_floor_deg(direction)
            if above < allowance:
                raise SafetyError(
                    f"the way goes {-above:.0f} deg below the altitude floor or the horizon",
                    remedy="Start from a higher place, or lower [safety] altitude_floor_deg if the "
                    "horizon is free.",
                    code="altitude_floor",
                )
            if sun_up:
                distance = math.degrees(angle_between(direction, sun))
                if distance < limits.sun_cone_deg + limits.axis_uncertainty_deg:
                    raise SafetyError(
                        f"the way comes within {distance:.0f} deg of the Sun, which would burn "
                        "eye and camera",
                        remedy="Choose another part of the sky; cap every tube and finder that "
                        "has no solar filter.",
                        code="sun",
                    )


def _ways(
    start_ha: float, start_dec: float, end_ha: float, end_dec: float
) -> list[tuple[float, float]]:
    """Return samples of the ways that a mount may take: both axes at once, or one after the other.

    Nobody knows which: all of them must be safe.
    """
    steps = max(
        2, math.ceil(max(abs(end_ha - start_ha), abs(end_dec - start_dec)) / _PATH_STEP_DEG) + 1
    )
    has = np.linspace(start_ha, end_ha, steps)
    decs = np.linspace(start_dec, end_dec, steps)
    corners = (
        list(zip(has, decs, strict=True))
        + [(ha, start_dec) for ha in has]
        + [(end_ha, dec) for dec in decs]
        + [(start_ha, dec) for dec in decs]
        + [(ha, end_dec) for ha in has]
    )
    return [(float(ha), float(dec)) for ha, dec in dict.fromkeys(corners)]
