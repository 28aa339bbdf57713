"""The printed sheet of ``polewright sun``: the day's table, and where the shadow's tip goes."""

import math
from html import escape

from polewright.app.printing import rows_table, sheet
from polewright.cli.sun import SunFacts, rows_between
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
    sure_words,
    twilight_lines,
)
from polewright.core.sky.sun_aids import SunMinute, meridian_turn

# Longer shadows (sticks) would make the rest of the drawing small.
_LONGEST = 1.8
_DRAWN_MM = 80.0
_ROWS_A_BLOCK = 44
_HOW = (
    "Stand a straight stick upright with a plumb line, or hang the plumb line itself. The ground "
    "need not be level, the stick must be plumb.",
    "At a time of the table put a mark into the middle of the shadow, as far from the foot as it "
    "is still clear.",
    "Take a string from the foot to the mark. A second string of the same length goes from the "
    'foot to the meridian. Its end is "triangle" times that length away from the mark, on the '
    "side that the table names (looking from the foot along the shadow).",
    "Foot and end of the second string lie along the meridian. Do it twice, an hour apart: the "
    "two lines should agree.",
)


def sun_sheet(facts: SunFacts, every_min: float) -> str:
    """Return the page."""
    when, day = facts.occasion, facts.day
    noon = when.local(day.noon)
    start, end = (day.sunrise or day.noon), (day.sunset or day.noon)
    if day.sunrise is None and day.sunset is None and not math.isnan(facts.noon.shadow_length):
        span = (
            noon.replace(hour=0, minute=0, second=0, microsecond=0),
            noon.replace(hour=23, minute=59),
        )
        start, end = span  # it does not set
    rows = rows_between(when, start, end, every_min)
    hourly = rows_between(when, start, end, 60.0)
    items = "".join(f"<li>{escape(step)}</li>" for step in _HOW)
    sky = "<br>".join(
        escape(line.strip()) for body in facts.bodies for line in body_lines(body, facts)
    )
    parts = [
        f"<p>{escape(when.where)}. Times in {escape(when.zone_words)}.</p>",
        *(f"<p>{escape(doubt)}</p>" for doubt in when.doubts),
        f"<p><strong>{escape(noon_line(facts))}</strong></p>",
        f"<p>{'<br>'.join(escape(line) for line in twilight_lines(facts))}</p>",
        f'<div class="side">{_drawing(facts, hourly)}<div style="max-width:80mm">'
        f"<h2>From a shadow to the meridian</h2><ul>{items}</ul></div></div>",
        f"<h2>In the sky</h2><p>As at {clock(when, when.instant)}. {sky}<br>"
        f"<strong>{escape(SHADE)}</strong></p>",
        f"<p>{escape(compass_line(facts))}</p>",
        f"<h2>The shadow of an upright stick of {facts.stick_m:g} m</h2>",
        "<p>Sun: its altitude; shadow: its azimuth, from true north over east (deg); sure: how "
        "well the stick shows it (deg); m: its length; meridian: from the shadow to true N or S "
        "(deg); triangle: as told above.</p>",
        f'<div class="side">{"".join(_blocks(rows, facts))}</div>' if rows else "<p>None.</p>",
    ]
    return sheet(f"The Sun's shadow on {noon:%A %d %B %Y}", CAUTION, "\n".join(parts))


def _blocks(rows: list[SunMinute], facts: SunFacts) -> list[str]:
    head = ("time", "Sun", "shadow", "sure", "m", "meridian", "triangle")
    cells: list[tuple[str, ...]] = []
    for row in rows:
        turn = meridian_turn(row.shadow_azimuth_rad)
        cells.append(
            (
                clock(facts.occasion, row.instant),
                f"{math.degrees(row.altitude_rad):.1f}",
                f"{math.degrees(row.shadow_azimuth_rad):.1f}",
                sure_words(row, facts.stick_m).strip(),
                length_words(row.shadow_length * facts.stick_m),
                meridian_words(turn).replace("true north", "N").replace("true south", "S"),
                across_words(turn),
            )
        )
    return [
        rows_table(head, cells[first : first + _ROWS_A_BLOCK])
        for first in range(0, len(cells), _ROWS_A_BLOCK)
    ]


def _drawing(facts: SunFacts, hourly: list[SunMinute]) -> str:
    """Return the ground from above, north up: the foot, the tips hour by hour, the meridian."""
    tips = [
        (
            row.shadow_length * math.sin(row.shadow_azimuth_rad),
            -row.shadow_length * math.cos(row.shadow_azimuth_rad),
            clock(facts.occasion, row.instant)[:2],
        )
        for row in hourly
        if row.shadow_length <= _LONGEST
    ]
    if not tips:
        return ""
    easts, souths = [0.0, *(tip[0] for tip in tips)], [0.0, *(tip[1] for tip in tips)]
    span = max(max(easts) - min(easts), max(souths) - min(souths), 1.0)
    mm = _DRAWN_MM / span
    left, right = min(easts) * mm - 8.0, max(max(easts) * mm + 8.0, 22.0)
    top, bottom = min(min(souths) * mm, -6.0) - 9.0, max(max(souths) * mm, 6.0) + 9.0
    shapes = [
        f'<path d="M0 {top + 5:.1f}V{bottom - 5:.1f}" stroke="#000" stroke-width=".5" '
        'stroke-dasharray="3 1.5"/>',
        f'<text x="1.5" y="{top + 5:.1f}">true north</text>',
        f'<text x="1.5" y="{bottom - 2:.1f}">true south</text>',
        '<path d="M-1.5 -1.5H1.5V1.5H-1.5Z" fill="#000"/><text x="2" y="-2">foot</text>',
        '<path fill="none" stroke="#000" stroke-width=".3" d="M'
        + "L".join(f"{east * mm:.1f} {south * mm:.1f}" for east, south, _ in tips)
        + '"/>',
    ]
    for east, south, time in tips:
        x, y = east * mm, south * mm
        away = 1.0 + 3.0 / max(math.hypot(x, y), 1.0)
        shapes.append(
            f'<path d="M0 0L{x:.1f} {y:.1f}" stroke="#999" stroke-width=".15"/>'
            f'<path d="M{x - 1:.1f} {y:.1f}h2M{x:.1f} {y - 1:.1f}v2" stroke="#000" '
            f'stroke-width=".4"/><text text-anchor="middle" x="{x * away:.1f}" '
            f'y="{y * away + 1.1:.1f}">{time}</text>'
        )
    rule = mm * (1.0 if mm <= 60.0 else 0.5)
    shapes.append(
        f'<path d="M{left + 2:.1f} {bottom - 2:.1f}h{rule:.1f}" stroke="#000" stroke-width=".8"/>'
        f'<text x="{left + 2:.1f}" y="{bottom - 4:.1f}">{rule / mm:g} stick</text>'
    )
    return (
        f'<figure><svg role="img" aria-label="Tips of the shadow, hour by hour" '
        f'width="{right - left:.0f}mm" height="{bottom - top:.0f}mm" '
        f'viewBox="{left:.1f} {top:.1f} {right - left:.1f} {bottom - top:.1f}">'
        f"{''.join(shapes)}</svg><figcaption>The ground from above: where the tip of the shadow "
        f"is at each full hour. Left out where it is longer than {_LONGEST:g} sticks.</figcaption>"
        "</figure>"
    )
