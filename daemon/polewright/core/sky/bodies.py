"""Bodies: where the Sun, the Moon and the bright planets stand over the horizon of a place.

Seen from the place itself (the Moon's parallax of a degree, the Sun's of 9 arcsec), with light
time, aberration, and refraction once.  How far the series are off: ``ACCURACY_RAD``.
"""

import math
from dataclasses import dataclass
from datetime import datetime

import erfa
import numpy as np

from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import altaz_from_enu, angle_between, unit
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.ephemeris import (
    ACCURACY_RAD,
    LIGHT_DAYS_PER_AU,
    Body,
    angular_radius_rad,
    geometric_au,
)
from polewright.core.sky.instant import terrestrial_julian_dates
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place

# The Moon's light takes 1.3 s, the planets' up to 90 min: two rounds leave under 0.001 arcsec.
_LIGHT_TIME_ROUNDS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BodyPlace:
    """One body as it shows itself at a place and an instant.

    Attributes
    ----------
    body : Body
        Which.
    direction_enu : ndarray of shape (3,)
        Observed direction of its centre, refraction in (East-North-Up).
    right_ascension_rad, declination_rad : float
        Apparent place of date seen from the place, without refraction (rad).
    distance_au : float
        From the place (au).
    angular_radius_rad : float
        Half its disc (rad); the air flattens it near the horizon, which is not in here.
    illuminated_fraction : float
        Part of its disc that is lit, 0 to 1; 1 for the Sun.
    phase_angle_rad : float
        Angle Sun - body - place (rad); 0 for the Sun.
    elongation_rad : float
        Distance from the Sun's centre on the sky (rad); 0 for the Sun.
    bright_limb_rad : float
        Position angle of the middle of the bright limb, from the north (of date) through east
        (rad, 0 to 2 pi); nan for the Sun.
    toward_sun_enu : ndarray of shape (3,)
        The same as a unit vector across the line of sight; zeros for the Sun.
    accuracy_rad : float
        How far the series are off (rms, rad).
    """

    body: Body
    direction_enu: Vector
    right_ascension_rad: float
    declination_rad: float
    distance_au: float
    angular_radius_rad: float
    illuminated_fraction: float
    phase_angle_rad: float
    elongation_rad: float
    bright_limb_rad: float
    toward_sun_enu: Vector
    accuracy_rad: float

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("direction_enu", "toward_sun_enu"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def altitude_rad(self) -> float:
        """Observed altitude (rad)."""
        return altaz_from_enu(self.direction_enu)[0]

    @property
    def azimuth_rad(self) -> float:
        """Azimuth from true north through east (rad, 0 to 2 pi)."""
        return altaz_from_enu(self.direction_enu)[1]


def body_place(body: Body, place: Place, instant: datetime) -> BodyPlace:
    """Return where a body stands and how it looks."""
    return body_at(body, ObservingMoment.at(place, instant))


def body_at(body: Body, moment: ObservingMoment) -> BodyPlace:
    """Return where a body stands and how it looks, at a prepared moment."""
    first, second = terrestrial_julian_dates(moment.instant)
    observer_au = np.asarray(moment.context["eb"])
    centre_au, sun_then_au = _seen(body, first, second, observer_au)
    from_observer = centre_au - observer_au
    distance_au = float(np.linalg.norm(from_observer))
    right_ascension, declination = moment.of_date_from_near(unit(from_observer))
    direction = moment.enu_from_of_date(right_ascension, declination)
    if body is Body.SUN:
        phase_angle = elongation = 0.0
        limb, toward_sun = math.nan, np.zeros(3)
    else:
        phase_angle = angle_between(-from_observer, sun_then_au - centre_au)
        sun_au = _seen(Body.SUN, first, second, observer_au)[0] - observer_au
        sun_of_date = moment.of_date_from_near(unit(sun_au))
        sun_enu = moment.enu_from_of_date(*sun_of_date)
        elongation = angle_between(direction, sun_enu)
        limb = _position_angle((right_ascension, declination), sun_of_date)
        toward_sun = unit(sun_enu - direction * float(sun_enu @ direction))
    return BodyPlace(
        body=body,
        direction_enu=direction,
        right_ascension_rad=right_ascension,
        declination_rad=declination,
        distance_au=distance_au,
        angular_radius_rad=angular_radius_rad(body, distance_au),
        illuminated_fraction=0.5 * (1.0 + math.cos(phase_angle)),
        phase_angle_rad=phase_angle,
        elongation_rad=elongation,
        bright_limb_rad=limb,
        toward_sun_enu=toward_sun,
        accuracy_rad=ACCURACY_RAD[body],
    )


def _seen(body: Body, first: float, second: float, observer_au: Vector) -> tuple[Vector, Vector]:
    """Return the places of a body and of the Sun when the light that arrives now left the body."""
    centre, sun = geometric_au(body, first, second)
    for _ in range(_LIGHT_TIME_ROUNDS):
        light_days = float(np.linalg.norm(centre - observer_au)) * LIGHT_DAYS_PER_AU
        centre, sun = geometric_au(body, first, second - light_days)
    return centre, sun


def _position_angle(here: tuple[float, float], there: tuple[float, float]) -> float:
    """Return the direction from one place to another, from north through east (rad)."""
    return float(erfa.pas(*here, *there)) % (2.0 * math.pi)
