"""``polewright sun``: the Sun's shadow as a compass, and what stands in the sky by day."""

import argparse
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from polewright.app.printing import write_sheet
from polewright.cli.folding import folded
from polewright.cli.output import ExitCode, Output
from polewright.cli.place_and_time import Occasion, occasion
from polewright.cli.sun_words import (
    CAUTION,
    SHADE,
    across_words,
    body_lines,
    clock,
    compass_line,
    length_words,
    meridian_words,
    noon_line,
    now_lines,
    sure_words,
    twilight_lines,
)
from polewright.core.errors import UsageError
from polewright.core.sky.bodies import BodyPlace, body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.magnetic import MagneticField, magnetic_field
from polewright.core.sky.sun_aids import (
    NEAR_SUN_RAD,
    RISE_RAD,
    BodyByDay,
    BodyDay,
    SunDay,
    SunMinute,
    body_day,
    by_day,
    meridian_turn,
    shadow_rate_rad_s,
    stick_sigma_rad,
    sun_crosses,
    sun_day,
    sun_minutes,
)

BODIES = (Body.MOON, Body.VENUS, Body.JUPITER)
_HALF_DAY = timedelta(hours=12)


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyFacts:
    """One body: now, over the day, and while the Sun is up (None: never high enough)."""

    now: BodyPlace
    day: BodyDay
    with_sun: BodyByDay | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SunFacts:
    """All that the command tells.

    Attributes
    ----------
    occasion : Occasion
        Where and when.
    stick_m : float
        Length of the stick (m).
    now, noon : SunMinute
        The Sun now, and at its upper transit.
    rate_rad_s : float
        Turn of the shadow now (rad per second).
    day : SunDay
        The times of the day whose noon is nearest.
    rows : list of SunMinute
        The table, as far as the Sun is up.
    bodies : list of BodyFacts
        Moon, Venus, Jupiter.
    field : MagneticField
        For a compass.
    """

    occasion: Occasion
    stick_m: float
    now: SunMinute
    noon: SunMinute
    rate_rad_s: float
    day: SunDay
    rows: list[SunMinute]
    bodies: list[BodyFacts]
    field: MagneticField


def sun(options: argparse.Namespace, output: Output) -> ExitCode:
    """Tell the Sun's day at a place, and write it to be printed if asked."""
    for name, value, low, high in (
        ("--every", options.every, 1.0, 120.0),
        ("--hours", options.hours, 0.1, 24.0),
        ("--stick", options.stick, 0.1, 20.0),
    ):
        if not low <= value <= high:
            raise UsageError(
                f"{name} {value:g} is outside {low:g} to {high:g}",
                remedy="Give minutes between rows, hours of the table, metres of the stick.",
                code="out_of_range",
            )
    facts = _facts(occasion(options), options)
    if options.print is not None:
        from polewright.cli.sun_sheet import sun_sheet

        write_sheet(options.print, sun_sheet(facts, options.every))
        output.note(f"wrote {options.print}: print it with a browser, A4 or Letter")
    output.result(_payload(facts), *folded(_lines(facts)))
    return ExitCode.GOOD


def _facts(when: Occasion, options: argparse.Namespace) -> SunFacts:
    place, instant = when.place, when.instant
    day = sun_day(place, instant)
    start, end = day.noon - _HALF_DAY, day.noon + _HALF_DAY
    up = (day.sunrise or start, day.sunset or end)
    # Where the Sun stays below the horizon, nothing stands in the sky with it.
    found = by_day(place, *up, bodies=BODIES) if day.noon_altitude_rad > RISE_RAD else []
    with_sun = {one.body: one for one in found}
    return SunFacts(
        occasion=when,
        stick_m=options.stick,
        now=sun_minutes(place, instant, 1)[0],
        noon=sun_minutes(place, day.noon, 1)[0],
        rate_rad_s=shadow_rate_rad_s(place, instant),
        day=day,
        rows=_rows(when, options.every, options.hours),
        bodies=[
            BodyFacts(
                now=body_place(body, place, instant),
                day=body_day(body, place, start, end),
                with_sun=with_sun.get(body),
            )
            for body in BODIES
        ],
        field=magnetic_field(place, instant),
    )


def whole_steps(when: Occasion, start: datetime, end: datetime, every_min: float) -> list[datetime]:
    """Return the instants of a table: whole steps of the local clock from start to end."""
    midnight = when.local(start).replace(hour=0, minute=0, second=0, microsecond=0)
    step = timedelta(minutes=every_min)
    first = start + (midnight - start) % step
    return [first + index * step for index in range(int((end - first) / step) + 1)]


def rows_between(
    when: Occasion, start: datetime, end: datetime, every_min: float
) -> list[SunMinute]:
    """Return the rows of a table, as far as the Sun is up."""
    instants = whole_steps(when, start, end, every_min)
    if not instants:
        return []
    rows = sun_minutes(when.place, instants[0], len(instants), step_s=60.0 * every_min)
    return [row for row in rows if not math.isnan(row.shadow_length)]


def _rows(when: Occasion, every_min: float, hours: float) -> list[SunMinute]:
    """Return the table from now, or from the next sunrise where the Sun is down."""
    start = when.instant
    if body_place(Body.SUN, when.place, start).altitude_rad <= 0.0:
        rises = sun_crosses(when.place, start, start + 2 * _HALF_DAY, RISE_RAD)
        if rises is None:
            return []
        start = rises
    return rows_between(when, start, start + timedelta(hours=hours), every_min)


def _lines(facts: SunFacts) -> list[str]:
    when = facts.occasion
    lines = [
        CAUTION,
        "",
        f"{when.where}, {when.local(when.instant):%A %d %B %Y}, times in {when.zone_words}",
        *(f"CAUTION: {doubt}" for doubt in when.doubts),
        "",
        *now_lines(facts),
        noon_line(facts),
        "",
    ]
    if facts.rows:
        first = when.local(facts.rows[0].instant)
        lines += [
            f"Shadow of an upright stick on {first:%d %B}; angles in degrees, azimuths from true "
            "north over east, lengths in sticks.",
            "Look from the foot along the shadow and turn as told, or lay out the triangle: foot "
            "to mark 1, foot to meridian 1, mark to meridian as in the last column.",
            " time  Sun high  azimuth  shadow to    sure  length  meridian               triangle",
            *(_row(row, facts) for row in facts.rows),
            "",
        ]
    elif math.isnan(facts.now.shadow_length):
        lines += ["The Sun does not rise within a day: no shadow.", ""]
    return [
        *lines,
        *twilight_lines(facts),
        "",
        *(line for body in facts.bodies for line in body_lines(body, facts)),
        SHADE,
        "",
        compass_line(facts),
    ]


def _row(row: SunMinute, facts: SunFacts) -> str:
    turn = meridian_turn(row.shadow_azimuth_rad)
    return (
        f"{clock(facts.occasion, row.instant)}  {math.degrees(row.altitude_rad):8.1f} "
        f"{math.degrees(row.azimuth_rad):8.1f} {math.degrees(row.shadow_azimuth_rad):10.1f}  "
        f"{sure_words(row, facts.stick_m)} {length_words(row.shadow_length):>7}  "
        f"{meridian_words(turn):<24} {across_words(turn)}"
    )


def _payload(facts: SunFacts) -> dict[str, Any]:
    when, day = facts.occasion, facts.day
    times: Mapping[str, datetime | None] = {
        name: getattr(day, name)
        for name in (
            "astronomical_dawn", "nautical_dawn", "stars_until", "civil_dawn", "sunrise",
            "sunset", "civil_dusk", "stars_from", "nautical_dusk", "astronomical_dusk",
        )
    }  # fmt: skip
    declination = facts.field.declination_rad
    return {
        "caution": CAUTION,
        "instant": _iso(when.instant),
        "zone": when.zone_words,
        "place": {
            "name": when.name,
            "latitude_deg": when.place.latitude_deg,
            "longitude_deg": when.place.longitude_deg,
            "elevation_m": when.place.elevation_m,
        },
        "doubts": list(when.doubts),
        "sun": _minute(facts.now, facts.stick_m)
        | {"shadow_deg_per_minute": math.degrees(facts.rate_rad_s) * 60.0},
        "noon": _minute(facts.noon, facts.stick_m),
        "times": {name: None if time is None else _iso(time) for name, time in times.items()},
        "bodies": [_body(body) for body in facts.bodies],
        "compass": {
            "model": "World Magnetic Model 2025",
            "declination_deg": math.degrees(declination),
            "declination_sigma_deg": math.degrees(facts.field.declination_sigma_rad),
            "true_north_reads_deg": math.degrees(-declination) % 360.0,
            "true_south_reads_deg": math.degrees(math.pi - declination) % 360.0,
        },
        "table": [_minute(row, facts.stick_m) for row in facts.rows],
    }


def _minute(row: SunMinute, stick_m: float) -> dict[str, Any]:
    known: dict[str, Any] = {
        "instant": _iso(row.instant),
        "altitude_deg": math.degrees(row.altitude_rad),
        "azimuth_deg": math.degrees(row.azimuth_rad),
    }
    if math.isnan(row.shadow_length):
        return known | {"shadow": None}
    turn = meridian_turn(row.shadow_azimuth_rad)
    return known | {
        "shadow": {
            "azimuth_deg": math.degrees(row.shadow_azimuth_rad),
            "length_per_stick": row.shadow_length,
            "sigma_deg": math.degrees(stick_sigma_rad(row.altitude_rad, stick_m=stick_m)),
            "meridian_end": "south" if turn.toward_south else "north",
            "clockwise_to_meridian_deg": math.degrees(turn.clockwise_rad),
            "across_per_length": turn.across,
        }
    }


def _body(facts: BodyFacts) -> dict[str, Any]:
    now, day, best = facts.now, facts.day, facts.with_sun
    return {
        "body": now.body.value,
        "altitude_deg": math.degrees(now.altitude_rad),
        "azimuth_deg": math.degrees(now.azimuth_rad),
        "from_sun_deg": math.degrees(now.elongation_rad),
        "near_sun": now.elongation_rad < NEAR_SUN_RAD,
        "illuminated_fraction": now.illuminated_fraction,
        "rises": day.rises and _iso(day.rises),
        "culminates": day.culminates and _iso(day.culminates),
        "sets": day.sets and _iso(day.sets),
        "with_sun": best
        and {
            "from": _iso(best.up_from),
            "until": _iso(best.up_until),
            "best": _iso(best.best),
            "altitude_deg": math.degrees(best.best_altitude_rad),
            "azimuth_deg": math.degrees(best.best_azimuth_rad),
        },
    }


def _iso(instant: datetime) -> str:
    return instant.isoformat(timespec="seconds").replace("+00:00", "Z")
