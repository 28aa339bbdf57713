"""``polewright history --plot``: how a mount's axis went over weeks, and how fast it wanders."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.adapters.journal.reading import JournalReader
from polewright.app.history_words import WEEK_DAYS, trend_words
from polewright.cli.output import ExitCode, Output
from polewright.cli.plotting import FAINT, RED, opened_figure
from polewright.core.axis.axis_trend import AxisTrend, Trend, axis_trend
from polewright.core.axis.stands import AxisSeen, stands_of
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCMIN_RAD

Spells = Sequence[Sequence[AxisSeen]]


def plot_history(reader: JournalReader, path: Path, mount: str | None, output: Output) -> ExitCode:
    """Draw a mount's axis over time and say how fast it wanders.

    Raises
    ------
    UsageError
        Nothing is kept of this mount, matplotlib is missing, or the file cannot be written.
    """
    moments = reader.moments()
    if mount is None:
        mount = max(moments, key=lambda name: max(one.at for one in moments[name]), default="")
    spells = [
        spell for stand in stands_of(moments.get(mount, ())) for spell in stand.spells if spell
    ]
    if not spells:
        known = ", ".join(name or "turned by hand" for name in sorted(moments)) or "none"
        raise UsageError(
            f"the journal has no survey of the mount {mount!r} to draw",
            remedy=f"Mounts in it: {known}. Survey first, or name one with --mount.",
            code="no_such_mount",
        )
    trend = axis_trend(spells)
    _draw(path, mount, spells, trend)
    looks = sum(map(len, spells))
    output.result(
        {
            "file": str(path),
            "mount": mount,
            "looks": looks,
            "altitude": None if trend is None else _figures(trend.altitude),
            "azimuth": None if trend is None else _figures(trend.azimuth),
        },
        f"{path}: {mount or 'turned by hand'}, {looks} looks at the axis",
        *_lines(trend),
    )
    return ExitCode.GOOD


def _lines(trend: AxisTrend | None) -> list[str]:
    if trend is None:
        return [
            "  how fast it wanders cannot be told: it needs three surveys over a day or more, with "
            "no bolt turned between two of them"
        ]
    return [
        f"  altitude {trend_words(trend.altitude)}",
        f"  azimuth {trend_words(trend.azimuth)}",
    ]


def _figures(trend: Trend) -> dict[str, Any]:
    week = WEEK_DAYS / ARCMIN_RAD
    return {
        "rate_arcmin_per_week": trend.rate_rad_per_day * week,
        "sigma_arcmin_per_week": trend.sigma_rad_per_day * week,
        "wide_arcmin_per_week": trend.wide_rad_per_day * week,
        "scatter_arcmin": trend.scatter_rad / ARCMIN_RAD,
        "looks": trend.surveys,
        "degrees_of_freedom": trend.degrees_of_freedom,
        "seen": trend.seen,
    }


def _draw(path: Path, mount: str, spells: Spells, trend: AxisTrend | None) -> None:
    with opened_figure(path, rows=2, columns=1, size=(9.0, 6.4)) as (figure, (upper, lower)):
        _panel(
            upper, spells, trend.altitude if trend else None, "altitude",
            lambda seen: seen.altitude_error_rad, lambda seen: seen.altitude_sigma_rad,
        )  # fmt: skip
        _panel(
            lower, spells, trend.azimuth if trend else None, "azimuth",
            lambda seen: seen.azimuth_error_rad, lambda seen: seen.azimuth_sigma_rad,
        )  # fmt: skip
        figure.suptitle(f"{mount or 'turned by hand'}: how far the axis is off, over time")
        figure.autofmt_xdate()


def _panel(
    axes: Any,
    spells: Spells,
    trend: Trend | None,
    name: str,
    value: Callable[[AxisSeen], float],
    sigma: Callable[[AxisSeen], float],
) -> None:
    looks = [one for spell in spells for one in spell]
    errors = np.array([value(one) for one in looks]) / ARCMIN_RAD
    sigmas = np.array([sigma(one) for one in looks]) / ARCMIN_RAD
    axes.errorbar(
        [one.at for one in looks], errors, yerr=2.0 * sigmas, fmt="o", color=RED, markersize=4,
        linewidth=1.0,
    )  # fmt: skip
    heights: list[float] = []
    # One line each, broken between the spells: hundreds of lines take a small computer minutes.
    way = _BrokenLine()
    slopes = _BrokenLine()
    first = 0
    for spell in spells:
        part = slice(first, first + len(spell))
        first += len(spell)
        if len(spell) < 2:
            heights += [float(error) for error in errors[part] if len(spells) == 1]
            continue
        heights += [float(error) for error in errors[part]]
        # Between looks that nobody's hands part, the axis went by itself.
        way.add([one.at for one in spell], errors[part])
        if trend is not None:
            days = np.array([(one.at - spell[0].at).total_seconds() / 86400.0 for one in spell])
            rate = trend.rate_rad_per_day / ARCMIN_RAD
            weights = 1.0 / (sigmas[part] ** 2 + (trend.scatter_rad / ARCMIN_RAD) ** 2)
            offset = float(weights @ (errors[part] - rate * days)) / float(weights.sum())
            slopes.add([spell[0].at, spell[-1].at], offset + rate * days[[0, -1]])
    axes.plot(way.times, way.heights, color=FAINT, linewidth=0.8)
    axes.plot(slopes.times, slopes.heights, color=RED, linestyle="--")
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    if trend is not None:
        _limit(axes, heights, errors)
    axes.set_ylabel(f"{name} error (arcmin)")
    axes.set_title(f"{name} {trend_words(trend)}" if trend else f"{name}, points with two sigma")


@dataclass(slots=True)
class _BrokenLine:
    times: list[datetime] = field(default_factory=list)
    heights: list[float] = field(default_factory=list)

    def add(self, times: Sequence[datetime], heights: NDArray[np.float64]) -> None:
        self.times += [*times, times[-1]]
        self.heights += [*(float(height) for height in heights), math.nan]


def _limit(axes: Any, heights: Sequence[float], everything: NDArray[np.float64]) -> None:
    """Keep evenings that began far off from making the rest a flat line; say how many are cut."""
    if not heights:
        return
    low, high = min(*heights, 0.0), max(*heights, 0.0)
    room = max(0.15 * (high - low), 0.5)
    low, high = low - room, high + room
    cut = int(np.count_nonzero((everything < low) | (everything > high)))
    axes.set_ylim(low, high)
    if cut:
        axes.text(
            0.99, 0.03, f"{cut} farther off", transform=axes.transAxes, ha="right", color=RED,
            fontsize="small",
        )  # fmt: skip
