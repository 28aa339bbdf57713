"""The Sun's direction, to keep the optics away from it; its looks: ``bodies``."""

import math
from datetime import datetime

from polewright.core.geometry.rotations import Vector
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.place import Place

SUN_HARMLESS_BELOW_RAD = math.radians(-3.0)
"""A Sun this far below the horizon, without the air, harms nothing: refraction and half its width
are under 1 deg."""


def sun_enu(place: Place, instant: datetime) -> Vector:
    """Return the observed direction of the Sun's centre (East-North-Up)."""
    return body_place(Body.SUN, place, instant).direction_enu
