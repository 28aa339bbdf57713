"""Aids of the day: the Sun's azimuth and shadows minute by minute, noon, twilights, and which
bodies stand in the sky by day.

For a person who marks true north on the ground, and for plans that wait for the dark.
"""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from polewright.core.geometry.directions import wrap_half_turn
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.instant import local_apparent_sidereal_time
from polewright.core.sky.place import Place

RISE_RAD = math.radians(-50.0 / 60.0)
"""Airless altitude of the Sun's centre when its upper limb rises: 34 arcmin of air, 16 of disc."""
CIVIL_RAD = math.radians(-6.0)
NAUTICAL_RAD = math.radians(-12.0)
ASTRONOMICAL_RAD = math.radians(-18.0)
STARS_RAD = math.radians(-9.0)
"""With the Sun lower a guide telescope shows enough stars to measure (rule of thumb, no source)."""
NEAR_SUN_RAD = math.radians(20.0)
"""Nothing is looked for, by eye or telescope, nearer to the Sun than this."""

_HORIZON_AIR_RAD = math.radians(34.0 / 60.0)
_SUN_RADIUS_RAD = math.radians(0.2666)
# Bodies are looked at so often for a table of what is up (s), and for the times between which they
# cross an altitude: two crossings that are nearer together are missed (s).
_STEP_S = 600.0
_CROSSING_STEP_S = 1800.0
_EXACT_S = 0.2
# What a careful person does with a stick or a plumb line in the open (see stick_sigma_rad).
_PLUMB_RAD = math.radians(0.2)
_MARK_M = 0.003
_PART_OF_PENUMBRA = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SunMinute:
    """The Sun at one minute.

    Attributes
    ----------
    instant : datetime
        Aware UTC instant.
    altitude_rad, azimuth_rad : float
        Where its centre is seen (rad).
    shadow_azimuth_rad : float
        Where the shadow of an upright stick points (rad, 0 to 2 pi); nan while it is down.
    shadow_length : float
        Of that shadow, in lengths of the stick; nan while it is down.
    """

    instant: datetime
    altitude_rad: float
    azimuth_rad: float
    shadow_azimuth_rad: float
    shadow_length: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeridianTurn:
    """How the meridian is found from a shadow: the end of it that lies nearer to the shadow.

    Attributes
    ----------
    toward_south : bool
        True where that end is the southern one.
    clockwise_rad : float
        Turn from the shadow to it, clockwise seen from above (rad, -pi/2 to pi/2).
    across : float
        Straight way from a mark on the shadow to that end, both at the same distance from the
        foot, as a part of this distance.
    """

    toward_south: bool
    clockwise_rad: float
    across: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyDay:
    """When a body rises, culminates and sets in a stretch of time; None where it does not.

    The upper limb over a flat horizon (aware UTC instants).
    """

    body: Body
    rises: datetime | None
    culminates: datetime | None
    sets: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SunDay:
    """The Sun's times about one noon; None where it does not happen (aware UTC instants).

    ``noon`` is its upper transit: an upright shadow then points along the meridian.
    ``stars_until`` and ``stars_from`` are when stars can be measured (``STARS_RAD``).
    """

    noon: datetime
    noon_altitude_rad: float
    sunrise: datetime | None
    sunset: datetime | None
    civil_dawn: datetime | None
    civil_dusk: datetime | None
    nautical_dawn: datetime | None
    nautical_dusk: datetime | None
    astronomical_dawn: datetime | None
    astronomical_dusk: datetime | None
    stars_until: datetime | None
    stars_from: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyByDay:
    """A body while the Sun is up, or over any stretch of time.

    Attributes
    ----------
    body : Body
        Which.
    up_from, up_until : datetime
        From when until when it stands above the wished altitude, within the stretch.
    best : datetime
        When it stands highest.
    best_altitude_rad, best_azimuth_rad : float
        Where it stands then (rad).
    elongation_rad : float
        How far from the Sun then (rad).
    west_of_sun_rad : float
        How much earlier it crosses the meridian than the Sun (rad of hour angle; negative: later).
    illuminated_fraction, angular_radius_rad : float
        How it looks then.
    """

    body: Body
    up_from: datetime
    up_until: datetime
    best: datetime
    best_altitude_rad: float
    best_azimuth_rad: float
    elongation_rad: float
    west_of_sun_rad: float
    illuminated_fraction: float
    angular_radius_rad: float


def sun_minutes(place: Place, start: datetime, count: int, step_s: float = 60.0) -> list[SunMinute]:
    """Return the Sun at ``count`` instants from ``start``."""
    minutes = []
    for index in range(count):
        instant = start + timedelta(seconds=index * step_s)
        sun = body_place(Body.SUN, place, instant)
        altitude, azimuth = sun.altitude_rad, sun.azimuth_rad
        up = altitude > 0.0
        minutes.append(
            SunMinute(
                instant=instant,
                altitude_rad=altitude,
                azimuth_rad=azimuth,
                shadow_azimuth_rad=(azimuth + math.pi) % (2.0 * math.pi) if up else math.nan,
                shadow_length=1.0 / math.tan(altitude) if up else math.nan,
            )
        )
    return minutes


def meridian_turn(shadow_azimuth_rad: float) -> MeridianTurn:
    """Return how far a shadow of this azimuth (rad) lies from the meridian's nearer end."""
    to_north = wrap_half_turn(-shadow_azimuth_rad)
    toward_south = abs(to_north) > math.pi / 2.0
    turn = wrap_half_turn(to_north + math.pi) if toward_south else to_north
    return MeridianTurn(
        toward_south=toward_south,
        clockwise_rad=turn,
        across=2.0 * math.sin(abs(turn) / 2.0),
    )


def shadow_rate_rad_s(place: Place, instant: datetime) -> float:
    """Return how fast the shadow turns (rad per second, clockwise seen from above positive)."""
    half = timedelta(seconds=15)
    before, after = (
        body_place(Body.SUN, place, when).azimuth_rad for when in (instant - half, instant + half)
    )
    return wrap_half_turn(after - before) / (2.0 * half.total_seconds())


def local_noon(place: Place, near: datetime) -> datetime:
    """Return the Sun's upper transit nearest to an instant."""
    instant = near
    for _ in range(8):
        hour_angle = _hour_angle_rad(Body.SUN, place, instant)
        step_s = -hour_angle / (2.0 * math.pi / 86400.0)
        instant += timedelta(seconds=step_s)
        if abs(step_s) < 0.01:
            break
    return instant


def sun_day(place: Place, near: datetime) -> SunDay:
    """Return noon, rise, set and twilights of the day whose noon is nearest to an instant.

    Over a flat horizon at the place's own height.
    """
    noon = local_noon(place, near)
    half_day = timedelta(hours=12)

    def morning(altitude_rad: float) -> datetime | None:
        return sun_crosses(place, noon - half_day, noon, altitude_rad)

    def evening(altitude_rad: float) -> datetime | None:
        return sun_crosses(place, noon, noon + half_day, altitude_rad)

    return SunDay(
        noon=noon,
        noon_altitude_rad=body_place(Body.SUN, place, noon).altitude_rad,
        sunrise=morning(RISE_RAD),
        sunset=evening(RISE_RAD),
        civil_dawn=morning(CIVIL_RAD),
        civil_dusk=evening(CIVIL_RAD),
        nautical_dawn=morning(NAUTICAL_RAD),
        nautical_dusk=evening(NAUTICAL_RAD),
        astronomical_dawn=morning(ASTRONOMICAL_RAD),
        astronomical_dusk=evening(ASTRONOMICAL_RAD),
        stars_until=morning(STARS_RAD),
        stars_from=evening(STARS_RAD),
    )


def sun_altitude_rad(place: Place, instant: datetime) -> float:
    """Return the altitude of the Sun's centre without the air (rad)."""
    return body_place(Body.SUN, replace(place, pressure_hpa=0.0), instant).altitude_rad


def sun_crosses(
    place: Place, start: datetime, end: datetime, altitude_rad: float
) -> datetime | None:
    """Return when the Sun's centre first passes an airless altitude (rad), up or down."""
    return _first_zero(lambda instant: sun_altitude_rad(place, instant) - altitude_rad, start, end)


def body_day(body: Body, place: Place, start: datetime, end: datetime) -> BodyDay:
    """Return when a body first rises, culminates and sets within a stretch of time."""
    airless = replace(place, pressure_hpa=0.0)

    def above(instant: datetime) -> float:
        seen = body_place(body, airless, instant)
        return seen.altitude_rad + seen.angular_radius_rad + _HORIZON_AIR_RAD

    def west(instant: datetime) -> float:
        return math.sin(_hour_angle_rad(body, place, instant))

    passes = list(_zeros(above, start, end))
    return BodyDay(
        body=body,
        rises=next((when for when, up in passes if up), None),
        # Its hour angle grows through 0; through half a turn its sine falls.
        culminates=next((when for when, up in _zeros(west, start, end) if up), None),
        sets=next((when for when, up in passes if not up), None),
    )


def by_day(
    place: Place,
    start: datetime,
    end: datetime,
    *,
    bodies: Iterable[Body] = (Body.MOON, Body.VENUS, Body.JUPITER),
    lowest_rad: float = math.radians(15.0),
) -> list[BodyByDay]:
    """Return which bodies stand above an altitude within a stretch of time, and when best."""
    found = []
    count = max(1, math.ceil((end - start).total_seconds() / _STEP_S))
    instants = [start + (end - start) * (index / count) for index in range(count + 1)]
    for body in bodies:
        places = [body_place(body, place, instant) for instant in instants]
        high = [index for index, seen in enumerate(places) if seen.altitude_rad >= lowest_rad]
        if not high:
            continue
        best = max(high, key=lambda index: places[index].altitude_rad)
        seen = places[best]
        west = _hour_angle_rad(body, place, instants[best]) - _hour_angle_rad(
            Body.SUN, place, instants[best]
        )
        found.append(
            BodyByDay(
                body=body,
                up_from=instants[high[0]],
                up_until=instants[high[-1]],
                best=instants[best],
                best_altitude_rad=seen.altitude_rad,
                best_azimuth_rad=seen.azimuth_rad,
                elongation_rad=seen.elongation_rad,
                west_of_sun_rad=wrap_half_turn(west),
                illuminated_fraction=seen.illuminated_fraction,
                angular_radius_rad=seen.angular_radius_rad,
            )
        )
    return found


def stick_sigma_rad(
    sun_altitude_rad: float,
    *,
    stick_m: float = 1.0,
    plumb_rad: float = _PLUMB_RAD,
    mark_m: float = _MARK_M,
) -> float:
    """Return how well the shadow of a stick or a plumb line shows an azimuth (rad).

    The Sun is half a degree wide: the shadow's middle is judged to a tenth of its blur.  A stick
    that leans sideways turns the shadow by the lean times tan h; its end is marked to
    millimetres.  A watch that is right to seconds adds nothing.
    """
    blur = _PART_OF_PENUMBRA * 2.0 * _SUN_RADIUS_RAD / math.cos(sun_altitude_rad)
    lean = plumb_rad * math.tan(sun_altitude_rad)
    mark = mark_m * math.tan(sun_altitude_rad) / stick_m
    return math.hypot(blur, lean, mark)


def _hour_angle_rad(body: Body, place: Place, instant: datetime) -> float:
    seen = body_place(body, place, instant)
    sidereal = local_apparent_sidereal_time(instant, place.longitude_deg)
    return wrap_half_turn(sidereal - seen.right_ascension_rad)


def _first_zero(
    function: Callable[[datetime], float], start: datetime, end: datetime
) -> datetime | None:
    return next((instant for instant, _ in _zeros(function, start, end)), None)


def _zeros(
    function: Callable[[datetime], float], start: datetime, end: datetime
) -> Iterator[tuple[datetime, bool]]:
    """Give every change of sign, by steps and halving, and whether the function grows there."""
    before, value = start, function(start)
    while before < end:
        after = min(before + timedelta(seconds=_CROSSING_STEP_S), end)
        next_value = function(after)
        if (value < 0.0) != (next_value < 0.0):
            low, high = before, after
            while (high - low).total_seconds() > _EXACT_S:
                middle = low + (high - low) / 2
                if (function(middle) < 0.0) == (value < 0.0):
                    low = middle
                else:
                    high = middle
            yield low + (high - low) / 2, value < 0.0
        before, value = after, next_value
