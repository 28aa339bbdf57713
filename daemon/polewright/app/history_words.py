"""Words for what the journal keeps: how the error went."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from polewright.adapters.journal.figures import MarksKnown
from polewright.core.axis.axis_trend import Trend
from polewright.core.axis.placements import NextValue, next_value
from polewright.core.geometry.directions import ARCMIN_RAD

# Of each set of marks the newest returns are told.
_MOST_RETURNS_TOLD = 5
WEEK_DAYS = 7.0


def adjustment_words(row: Mapping[str, Any]) -> str:
    """Return an adjustment's figures as a person reads them."""
    minutes = (instant_in(row["ended_at"]) - instant_in(row["began_at"])).total_seconds() / 60.0
    return f"adjusted from {went_words(row)} ({row['corrections']} corrections, {minutes:.0f} min)"


def went_words(row: Mapping[str, Any]) -> str:
    """Return how the error went from the first to the last look."""
    return (
        f"{row['start_total_error_arcmin']:.2f} to {row['end_total_error_arcmin']:.2f} arcmin "
        f"+- {row['end_total_error_sigma_arcmin']:.2f} "
        f"(altitude {row['end_altitude_error_arcmin']:+.2f}, "
        f"azimuth {row['end_azimuth_error_arcmin']:+.2f}), {row['verdict'].replace('_', ' ')}"
    )


def instant_in(text: str) -> datetime:
    """Return the instant that a row of figures tells."""
    return datetime.fromisoformat(text)


def marks_lines(known: MarksKnown) -> list[str]:
    """Return what returns to a set of marks changed, and how the next one is expected to be."""
    head = f"{known.name} ({known.mount or 'turned by hand'})"
    count = len(known.returns)
    if not count:
        return [f"{head}: stood there {known.stands} times, no return measured yet"]
    altitude, azimuth = marks_changes(known)
    lines = [
        f"{head}: {count} return{'s' if count > 1 else ''} measured",
        f"  the next one changes altitude by {_told(altitude)}, azimuth by {_told(azimuth)}",
    ]
    lines += [
        f"    {one.stand.since:%Y-%m-%d}: altitude "
        f"{one.change.altitude_rad / ARCMIN_RAD:+.1f}, "
        f"azimuth {one.change.azimuth_rad / ARCMIN_RAD:+.1f} arcmin"
        for one in known.returns[-_MOST_RETURNS_TOLD:]
    ]
    if known.start is None:
        lines.append("  bolts were turned since with nobody watching: no start can be told")
    return lines


def marks_changes(known: MarksKnown) -> tuple[NextValue, NextValue]:
    """Return what the next return is expected to change, altitude and azimuth."""
    return (
        next_value([one.change.altitude_rad for one in known.returns]),
        next_value([one.change.azimuth_rad for one in known.returns]),
    )


def _told(value: NextValue) -> str:
    return (
        f"{value.mean_rad / ARCMIN_RAD:+.1f} arcmin (two times in three within "
        f"{value.spread_rad / ARCMIN_RAD:.1f}, nineteen in twenty within "
        f"{value.wide_rad / ARCMIN_RAD:.0f})"
    )


def trend_words(trend: Trend) -> str:
    """Return a rate as a person reads it."""
    week = WEEK_DAYS / ARCMIN_RAD
    told = (
        f"{trend.rate_rad_per_day * week:+.2f} arcmin a week +- "
        f"{trend.sigma_rad_per_day * week:.2f}"
    )
    return told if trend.seen else f"{told}: not told from standing still"
