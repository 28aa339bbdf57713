"""Sky fields: where a star alignment may look, and where go-tos are to be good."""

import math

import numpy as np

from polewright.core.axis.goto_error import SkyPoint, spread_over_sphere
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.bodies import body_at
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.core.sky.observed import ObservingMoment
from polewright.ports import PierSide
from polewright.session.safety import GuardedMount

# So many over the whole sphere: a field every 9 deg.
_FIELDS_ON_SPHERE = 500
# Nearer to the horizon the air is not known to the arcsecond, and trees grow (deg).
_LOWEST_FIELD_DEG = 25.0
# Nearer to the pole an hour angle says little, and cables turn far (deg).
_FARTHEST_DECLINATION_DEG = 80.0
# So near the meridian a mount may be on either side (deg).
_MERIDIAN_MARGIN_DEG = 5.0
# A bright Moon drowns faint stars so near to it (common practice, no source; deg).
_MOON_DEG = 20.0


def goto_sky(
    mount: GuardedMount, moment: ObservingMoment, hour_angle_deg: float, pier_side: PierSide
) -> list[SkyPoint]:
    """Return the directions that the mount may be sent to, evenly spread.

    Parameters
    ----------
    moment : ObservingMoment
        Now, here.
    hour_angle_deg : float
        Where the mount is (deg): it stays on that side of the meridian unless it may cross.
    pier_side : PierSide
        As the mount tells it; one that tells none is taken to have one side only.
    """
    turns_over = pier_side is not PierSide.UNKNOWN
    both = mount.may_cross_meridian and (turns_over or not mount.has_sides)
    there = spread_over_sphere(_FIELDS_ON_SPHERE)
    hours = np.degrees(np.arctan2(-there[:, 1], there[:, 0]))
    declinations = np.degrees(np.arcsin(np.clip(there[:, 2], -1.0, 1.0)))
    points = []
    for hour, declination in zip(hours, declinations, strict=True):
        near_meridian = abs(hour) < _MERIDIAN_MARGIN_DEG
        other_side = hour * hour_angle_deg < 0.0
        if (other_side and not both) or (near_meridian and mount.has_sides):
            continue
        if not mount.may_point(float(hour), float(declination)):
            continue
        points.append(
            SkyPoint(
                hour_angle_rad=math.radians(hour),
                declination_rad=math.radians(declination),
                beyond_the_pole=is_beyond(pier_side) if not both else turns_over and hour > 0.0,
                direction_enu=observed_enu(float(hour), float(declination), moment),
            )
        )
    return points


def is_beyond(side: PierSide) -> bool:
    """Return whether a mount's declination axis has gone over the pole: the tube east of the pier.

    Which side is called so does not matter, as long as it is always the same one.
    """
    return side is PierSide.EAST


def observed_enu(hour_angle_deg: float, declination_deg: float, moment: ObservingMoment) -> Vector:
    """Return the observed direction (East-North-Up, the air in) of a place of date (deg)."""
    right_ascension = right_ascension_deg(hour_angle_deg, moment.instant, moment.place)
    return np.asarray(
        moment.enu_from_of_date(math.radians(right_ascension), math.radians(declination_deg))
    )


def star_fields(
    sky: list[SkyPoint], moment: ObservingMoment, *, clear_of_horizon_deg: float = _LOWEST_FIELD_DEG
) -> list[SkyPoint]:
    """Return those of the directions where frames are taken: not low, not at the pole, no Moon."""
    moon = body_at(Body.MOON, moment)
    return [
        point
        for point in sky
        if math.degrees(math.asin(point.direction_enu[2])) >= clear_of_horizon_deg
        and abs(math.degrees(point.declination_rad)) <= _FARTHEST_DECLINATION_DEG
        and (
            moon.altitude_rad < 0.0
            or math.degrees(angle_between(point.direction_enu, moon.direction_enu)) >= _MOON_DEG
        )
    ]
