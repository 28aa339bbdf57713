"""Fields in reach: where a star alignment may still look, and by which way the mount gets there."""

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from polewright.core.axis.goto_error import SkyPoint
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.mount_frame import hour_angle_deg
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.ports import MountStatus
from polewright.session.field_sightings import shown_place
from polewright.session.safety import GuardedMount
from polewright.session.sky_fields import goto_sky, observed_enu, star_fields

# Round the pier the tube swings through all that is as far from the pole as it stands itself: so
# it goes round beside the pole (deg).
_BESIDE_THE_POLE_DEG = 85.0

PlaceDeg = tuple[float, float]
Reading = Callable[[SkyPoint], tuple[float, float]]
"""Returns what the mount is to show (hour angle, declination; rad) to point there."""


@dataclass(slots=True, kw_only=True)
class FieldsInReach:
    """The sky that go-tos shall be good in, and what is left of the fields.

    Attributes
    ----------
    mount : GuardedMount
        Says which ways are safe.
    place : Place
        Where it stands.
    sky, fields : list of SkyPoint
        Where it may be sent, and where it may look.
    start_enu : ndarray of shape (3,)
        Where it says that it points at the start.
    """

    mount: GuardedMount
    place: Place
    sky: list[SkyPoint]
    fields: list[SkyPoint]
    start_enu: Vector

    @classmethod
    async def find(cls, mount: GuardedMount, place: Place, now: datetime) -> "FieldsInReach":
        """Find where the mount may look tonight.

        Raises
        ------
        MeasurementError
            ``no_fields``.
        """
        status = await mount.status()
        right_ascension, declination = shown_place(status)
        moment = ObservingMoment.at(place, now)
        hour = hour_angle_deg(right_ascension, now, place)
        sky = await asyncio.to_thread(goto_sky, mount, moment, hour, status.pier_side)
        fields = await asyncio.to_thread(star_fields, sky, moment)
        if len(fields) < 2:
            raise MeasurementError(
                "there is no part of the sky that the mount may look at for a star alignment",
                remedy="Look at [safety]: altitude floor, horizon, hour angles; by day there are "
                "no stars.",
                code="no_fields",
            )
        start = observed_enu(hour, declination, moment)
        return cls(mount=mount, place=place, sky=sky, fields=fields, start_enu=start)

    def leave_out(self, direction_enu: Vector, radius_deg: float) -> None:
        """Look no more so near to a direction."""
        radius = math.radians(radius_deg)
        self.fields = [
            one for one in self.fields if angle_between(one.direction_enu, direction_enu) > radius
        ]

    def open_now(self, status: MountStatus, now: datetime, reading: Reading) -> list[SkyPoint]:
        """Return the fields to which there is a safe way from where the mount is now."""
        return [one for one in self.fields if self.way(status, now, one, reading)]

    def way(
        self, status: MountStatus, now: datetime, field: SkyPoint, reading: Reading
    ) -> tuple[PlaceDeg, ...]:
        """Return the places to turn to one after another (hour angle, declination; deg).

        Straight where that is safe, else round the pier beside the pole; empty where neither is.
        """
        try:
            hour, declination = (math.degrees(angle) for angle in reading(field))
        except MeasurementError:
            return ()
        if self.mount.may_turn(status, (hour, declination)):
            return ((hour, declination),)
        start = hour_angle_deg(shown_place(status)[0], now, self.place)
        if not (self.mount.may_cross_meridian and start * hour < 0.0):
            return ()
        beside = -_BESIDE_THE_POLE_DEG if self.place.south else _BESIDE_THE_POLE_DEG
        round_the_pier = ((start, beside), (hour, beside), (hour, declination))
        return round_the_pier if self.mount.may_turn(status, *round_the_pier) else ()
