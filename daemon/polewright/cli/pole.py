"""``polewright pole``: where the pole's stars stand in a polar scope, as a clock's short hand."""

import argparse
import math
from collections.abc import Callable
from datetime import datetime, timedelta
from html import escape
from typing import Any

from polewright.app.printing import rows_table, sheet, write_sheet
from polewright.cli.folding import folded
from polewright.cli.output import ExitCode, Output
from polewright.cli.place_and_time import Occasion, occasion
from polewright.cli.pole_drawing import reach_arcmin, svg_drawing, terminal_drawing
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.sky.bodies import body_place
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.polar_scope import (
    PlacedStar,
    PolarScope,
    View,
    clock_words,
    polar_scope,
)
from polewright.core.sky.sun_aids import RISE_RAD

CAUTION = (
    "No eye goes to a polar scope before the Sun has set: a mount that slips or is turned sweeps "
    "the Sun into it, and that blinds at once. Cap it by day."
)
_RED = (
    "Read this in dim red light: eyes take half an hour to get used to the dark, and a second of "
    "white light to lose it."
)
_VIEWS = {
    View.UPRIGHT: "as the naked eye sees it",
    View.INVERTED: "turned by half a turn",
    View.MIRRORED: "upright, left and right exchanged",
    View.MIRRORED_INVERTED: "upside down, left and right kept",
}
# A star this near to the horizon is not seen (rad).
_LOW_RAD = math.radians(2.0)
_SIDEREAL_DEG_MIN = 360.0 / (86164.0905 / 60.0)
_PRINTED_ROWS, _PRINTED_STEP = 33, timedelta(minutes=15)


def pole(options: argparse.Namespace, output: Output) -> ExitCode:
    """Tell the clock face of the polar scope, and write it to be printed if asked."""
    when, view = occasion(options), View(options.view)
    scope = polar_scope(when.place, when.instant)
    sun_up = body_place(Body.SUN, when.place, when.instant).altitude_rad > RISE_RAD
    if options.print is not None:
        write_sheet(options.print, _sheet(when, scope, view))
        output.note(f"wrote {options.print}: print it with a browser, A4 or Letter")
    output.result(_payload(when, scope, view, sun_up), *folded(_lines(when, scope, view, sun_up)))
    return ExitCode.GOOD


def _lines(when: Occasion, scope: PolarScope, view: View, sun_up: bool) -> list[str]:
    first, *others = scope.stars
    top = "the zenith" if view.signs[1] > 0 else "the ground"
    lines = [f"THE SUN IS UP. {CAUTION}", ""] if sun_up else []
    lines += [
        *_star_lines(first, view),
        *(f"{star.star.letter} {_short(star, view)}" for star in others),
        _motion(scope, view),
        "",
        *terminal_drawing(scope, view),
        f"+ pole, {', '.join(f'{s.star.letter} {s.star.name}' for s in scope.stars)}",
        f"View {view.value}: {_VIEWS[view]}. Its top is toward {top}. From the pole to each side "
        f"{reach_arcmin(scope):.0f} arcmin.",
        "",
        f"{when.where}, {when.local(when.instant):%d %B %Y %H:%M:%S} {when.zone_words}. The "
        f"{'south' if scope.south else 'north'} pole stands {_deg(scope.pole_altitude_rad)} high.",
        f"Hour angle of {first.star.name} {_hours(first.hour_angle_rad)}.",
        *(f"CAUTION: {doubt}" for doubt in when.doubts),
        _RED,
    ]
    return lines if sun_up else [*lines, CAUTION]


def _star_lines(star: PlacedStar, view: View) -> list[str]:
    angle = star.clockwise_rad(view)
    lines = [
        f"{star.star.name} stands at {clock_words(angle)} on the clock face as you look in.",
        f"That is {_deg(angle)} clockwise from the top, and {_arcmin(star)} from the pole.",
    ]
    if view is not View.UPRIGHT:
        naked = clock_words(star.clockwise_rad(View.UPRIGHT))
        lines.append(f"The naked eye sees it at {naked}.")
    if star.altitude_rad < _LOW_RAD:
        lines.append("It is at the horizon or below: it cannot be seen from here.")
    return lines


def _short(star: PlacedStar, view: View) -> str:
    angle = star.clockwise_rad(view)
    return f"{star.star.name} at {clock_words(angle)} ({_deg(angle)}), {_arcmin(star)}"


def _motion(scope: PolarScope, view: View) -> str:
    star = scope.stars[0]
    sense = "clockwise" if scope.turns_clockwise(view) else "anticlockwise"
    moved = math.radians(10.0 * _SIDEREAL_DEG_MIN) * star.offset_rad / ARCMIN_RAD
    return (
        f"It goes on {sense}: {10.0 * _SIDEREAL_DEG_MIN:.1f} deg or {moved:.1f} arcmin in 10 "
        "minutes. A clock that is 10 minutes wrong is as much off."
    )


def _sheet(when: Occasion, scope: PolarScope, view: View) -> str:
    first = when.local(when.instant)
    start = when.instant - (first - first.replace(minute=0, second=0, microsecond=0))
    times = [start + index * _PRINTED_STEP for index in range(_PRINTED_ROWS)]
    nearest = min(range(len(times)), key=lambda index: abs(times[index] - when.instant))
    cells = [_printed_row(when, view, time) for time in times]
    head = ("time", *(f"{star.star.letter} at" for star in scope.stars), "deg", "hour angle")
    half = (_PRINTED_ROWS + 1) // 2
    tables = rows_table(head, cells[:half], nearest) + rows_table(
        head, cells[half:], nearest - half if nearest >= half else -1
    )
    offsets = "; ".join(
        f"{star.star.letter} {star.star.name}, {_arcmin(star)} from the pole of date"
        for star in scope.stars
    )
    words: Callable[[list[str]], str] = lambda lines: "<br>".join(map(escape, lines))  # noqa: E731
    body = [
        f"<p>{escape(when.where)}. Times in {escape(when.zone_words)}. "
        f"View {view.value}: {_VIEWS[view]}.</p>",
        *(f"<p>{escape(doubt)}</p>" for doubt in when.doubts),
        f"<p><strong>{first:%H:%M}: {words(_star_lines(scope.stars[0], view))}</strong></p>",
        f"<p>{escape(_motion(scope, view))}</p>",
        f'<figure class="beside">{svg_drawing(scope, view)}<figcaption>At {first:%H:%M}, as '
        f"you look in with the head upright. {escape(offsets)}. From the pole to each side "
        f"{reach_arcmin(scope):.0f} arcmin.</figcaption></figure>",
        "<h2>Quarter by quarter</h2><p>Where a clock's short hand points from the pole to the "
        f"star; deg: of {escape(scope.stars[0].star.name)}, clockwise from the top.</p>",
        f'<div class="side">{tables}</div>',
        f"<p>{escape(_RED)}</p>",
    ]
    return sheet(f"Polar scope, {first:%A %d %B %Y}", CAUTION, "\n".join(body))


def _printed_row(when: Occasion, view: View, instant: datetime) -> tuple[str, ...]:
    scope = polar_scope(when.place, instant)
    angles = [star.clockwise_rad(view) for star in scope.stars]
    return (
        f"{when.local(instant):%H:%M}",
        *(clock_words(angle) for angle in angles),
        f"{math.degrees(angles[0]):.0f}",
        _hours(scope.stars[0].hour_angle_rad)[:11].removesuffix(" "),
    )


def _payload(when: Occasion, scope: PolarScope, view: View, sun_up: bool) -> dict[str, Any]:
    return {
        "caution": CAUTION,
        "sun_up": sun_up,
        "instant": when.instant.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "place": {
            "name": when.name,
            "latitude_deg": when.place.latitude_deg,
            "longitude_deg": when.place.longitude_deg,
            "elevation_m": when.place.elevation_m,
        },
        "doubts": list(when.doubts),
        "pole": "south" if scope.south else "north",
        "pole_altitude_deg": math.degrees(scope.pole_altitude_rad),
        "view": view.value,
        "turns_clockwise": scope.turns_clockwise(view),
        "stars": [_star(star, view) for star in scope.stars],
    }


def _star(star: PlacedStar, view: View) -> dict[str, Any]:
    return {
        "name": star.star.name,
        "hipparcos": star.star.hipparcos,
        "clock": clock_words(star.clockwise_rad(view)),
        "clockwise_deg": math.degrees(star.clockwise_rad(view)),
        "clockwise_naked_eye_deg": math.degrees(star.clockwise_rad(View.UPRIGHT)),
        "offset_arcmin": star.offset_rad / ARCMIN_RAD,
        "hour_angle_deg": math.degrees(star.hour_angle_rad),
        "declination_of_date_deg": math.degrees(star.declination_rad),
        "altitude_deg": math.degrees(star.altitude_rad),
        "azimuth_deg": math.degrees(star.azimuth_rad),
    }


def _deg(angle_rad: float) -> str:
    return f"{math.degrees(angle_rad):.1f} deg"


def _arcmin(star: PlacedStar) -> str:
    return f"{star.offset_rad / ARCMIN_RAD:.1f} arcmin"


def _hours(angle_rad: float) -> str:
    seconds = round(angle_rad / (2.0 * math.pi) * 86400.0) % 86400
    return f"{seconds // 3600:02d} h {seconds // 60 % 60:02d} min {seconds % 60:02d} s"
