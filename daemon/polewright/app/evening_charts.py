"""Charts of an evening as inline SVG: their colours are the page's, on the screen and on paper."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape

# Narrow enough for a phone to leave the letters readable.
_WIDTH, _HEIGHT = 460.0, 250.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 12.0, 10.0, 30.0
_SIDE = 300.0
# More points than this a screen does not show.
_MOST_POINTS = 600
_STEPS_MIN = (1, 2, 5, 10, 20, 30, 60, 120, 240, 480)
_MOST_TICKS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPoint:
    """One error of the axis at one instant (arcmin).

    ``azimuth_on_sky_arcmin``: the azimuth error times the cosine of the target's altitude.
    ``begins``: not joined to the point before.
    """

    at: datetime
    altitude_arcmin: float
    azimuth_on_sky_arcmin: float
    total_arcmin: float
    sigma_arcmin: float
    begins: bool = False


def time_chart(
    told: Sequence[ErrorPoint], surveys: Sequence[ErrorPoint], tolerance_arcmin: float
) -> str:
    """Return the total error over time, on a logarithmic scale.

    Parameters
    ----------
    told : sequence of ErrorPoint
        Live, in order.
    surveys : sequence of ErrorPoint
        Each drawn as a mark with two sigma.
    tolerance_arcmin : float
        Drawn as a line (arcmin).
    """
    both = [*told, *surveys]
    begin, end = min(one.at for one in both), max(one.at for one in both)
    if end - begin < timedelta(minutes=2):
        begin, end = begin - timedelta(minutes=1), end + timedelta(minutes=1)
    span_s = (end - begin).total_seconds()
    margin = timedelta(seconds=0.03 * span_s)
    begin, end, span_s = begin - margin, end + margin, 1.06 * span_s
    values = [max(one.total_arcmin, 1e-3) for one in both] + [tolerance_arcmin]
    low = math.floor(math.log10(min(values) * 0.9))
    high = max(math.ceil(math.log10(max(values) * 1.1)), low + 1)

    def x(at: datetime) -> float:
        part = (at - begin).total_seconds() / span_s
        return _LEFT + part * (_WIDTH - _LEFT - _RIGHT)

    def y(arcmin: float) -> float:
        part = (math.log10(max(arcmin, 10.0**low)) - low) / (high - low)
        return _HEIGHT - _BOTTOM - min(part, 1.0) * (_HEIGHT - _TOP - _BOTTOM)

    shapes = []
    for power in range(low, high + 1):
        level = y(10.0**power)
        shapes.append(_line(_LEFT, level, _WIDTH - _RIGHT, level, "grid"))
        shapes.append(_text(_LEFT - 6.0, level + 4.0, f"{10.0**power:g}", "end"))
    for at in _ticks(begin, end):
        shapes.append(_line(x(at), _HEIGHT - _BOTTOM, x(at), _HEIGHT - _BOTTOM + 4.0, "axis"))
        shapes.append(_text(x(at), _HEIGHT - 12.0, f"{at:%H:%M}", "middle"))
    shapes.append(_line(_LEFT, y(tolerance_arcmin), _WIDTH - _RIGHT, y(tolerance_arcmin), "goal"))
    shapes.append(_text(_WIDTH - _RIGHT, y(tolerance_arcmin) - 4.0, "tolerance", "end"))
    shapes += _joined([(x(one.at), y(one.total_arcmin), one.begins) for one in _fewer(told)])
    for one in surveys:
        across, level = x(one.at), y(one.total_arcmin)
        reach = 2.0 * one.sigma_arcmin
        shapes.append(
            _line(across, y(one.total_arcmin + reach), across, y(one.total_arcmin - reach), "mark")
        )
        shapes.append(f'<circle class="mark" cx="{across:.1f}" cy="{level:.1f}" r="4"/>')
    return _svg(
        _WIDTH, _HEIGHT, "Total error over time (UTC), in arcmin on a logarithmic scale", shapes
    )


def path_chart(
    told: Sequence[ErrorPoint],
    surveys: Sequence[ErrorPoint],
    tolerance_arcmin: float,
    reach_arcmin: float,
) -> str:
    """Return the way of the axis on the sky about its target, which is the middle.

    Parameters
    ----------
    told, surveys : sequence of ErrorPoint
        In order.
    tolerance_arcmin : float
        Drawn as a circle (arcmin).
    reach_arcmin : float
        From the middle to each side (arcmin); what is farther off is cut away.
    """
    scale = 0.5 * _SIDE / reach_arcmin
    middle = 0.5 * _SIDE

    def x(arcmin: float) -> float:
        return middle + scale * arcmin

    def y(arcmin: float) -> float:
        return middle - scale * arcmin

    shapes = [
        _line(0.0, middle, _SIDE, middle, "grid"),
        _line(middle, 0.0, middle, _SIDE, "grid"),
        f'<circle class="goal" cx="{middle:g}" cy="{middle:g}" '
        f'r="{max(scale * tolerance_arcmin, 1.0):.1f}"/>',
        *_joined(
            [(x(p.azimuth_on_sky_arcmin), y(p.altitude_arcmin), p.begins) for p in _fewer(told)]
        ),
    ]
    for number, one in enumerate(surveys, 1):
        across, level = x(one.azimuth_on_sky_arcmin), y(one.altitude_arcmin)
        if not (0.0 <= across <= _SIDE and 0.0 <= level <= _SIDE):
            continue
        shapes.append(f'<circle class="mark" cx="{across:.1f}" cy="{level:.1f}" r="4"/>')
        shapes.append(_text(across + 6.0, level - 4.0, str(number), "start"))
    shapes += [
        _text(middle + 4.0, 12.0, "too high", "start"),
        _text(_SIDE - 2.0, middle - 4.0, "azimuth too large", "end"),
        _text(2.0, _SIDE - 4.0, f"{reach_arcmin:.3g} arcmin to each side", "start"),
    ]
    return _svg(
        _SIDE, _SIDE, f"Way of the axis on the sky, {reach_arcmin:.3g} arcmin to each side", shapes
    )


def _fewer(points: Sequence[ErrorPoint]) -> list[ErrorPoint]:
    """Leave out points that nobody would see, none that begins or ends a run."""
    step = max(len(points) // _MOST_POINTS, 1)
    last = len(points) - 1
    return [
        point
        for index, point in enumerate(points)
        if point.begins or index % step == 0 or index == last or points[index + 1].begins
    ]


def _ticks(begin: datetime, end: datetime) -> list[datetime]:
    minutes = (end - begin).total_seconds() / 60.0
    step = next((each for each in _STEPS_MIN if minutes / each <= _MOST_TICKS), _STEPS_MIN[-1])
    first = begin.replace(minute=0, second=0, microsecond=0)
    count = int(minutes // step) + 2 + 60 // step
    ticks = (first + timedelta(minutes=step * number) for number in range(count))
    return [tick for tick in ticks if begin <= tick <= end]


def _joined(points: Sequence[tuple[float, float, bool]]) -> list[str]:
    runs: list[list[str]] = []
    for across, level, begins in points:
        if begins or not runs:
            runs.append([])
        runs[-1].append(f"{across:.1f},{level:.1f}")
    return [f'<polyline class="way" points="{" ".join(run)}"/>' for run in runs]


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<path class="{kind}" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"/>'


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _svg(width: float, height: float, label: str, shapes: Sequence[str]) -> str:
    return (
        f'<svg role="img" aria-label="{escape(label)}" viewBox="0 0 {width:g} {height:g}" '
        f'style="max-width:{1.5 * width:g}px">{"".join(shapes)}</svg>'
    )
