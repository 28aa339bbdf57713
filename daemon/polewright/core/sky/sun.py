"""The Sun's direction, to keep the optics away from it; its looks: ``bodies``."""

from datetime import datetime

from polewright.core.geometry.rotations import Vector
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.place import Place


def sun_enu(place: Place, instant: datetime) -> Vector:
    """Return the observed direction of the Sun's centre (East-North-Up)."""
    return body_place(Body.SUN, place, instant).direction_enu
