"""``polewright history evenings``, ``adjustments`` and ``placements``: a line for each."""

from typing import Any

from polewright.adapters.journal.figures import (
    Kept,
    MarksKnown,
    adjustment_figures,
    evening_figures,
    marks_known,
    return_figures,
)
from polewright.adapters.journal.reading import KeptEvening
from polewright.app.history_words import adjustment_words, instant_in, went_words
from polewright.cli.output import ExitCode, Output
from polewright.core.axis.placements import NextValue, next_value
from polewright.core.geometry.directions import ARCMIN_RAD

# Of each set of marks the newest returns are told.
_MOST_RETURNS_TOLD = 5


def tell_evenings(kept: Kept, output: Output) -> ExitCode:
    """Print how the error went on every evening."""
    rows = [evening_figures(kept, evening) for evening in kept.evenings]
    lines = [
        f"{evening_head(evening, kept)}: {went_words(row) if row['verdict'] else 'no survey'}"
        for evening, row in zip(kept.evenings, rows, strict=True)
    ]
    output.result({"evenings": rows}, *(lines or ["no evenings are kept yet"]))
    return ExitCode.GOOD


def tell_adjustments(kept: Kept, output: Output) -> ExitCode:
    """Print how the error went in every adjustment."""
    rows = [row for survey in kept.surveys if (row := adjustment_figures(kept, survey)) is not None]
    lines = [
        f"survey {row['survey']:>3}, {instant_in(row['began_at']):%Y-%m-%d %H:%M} UTC: "
        f"{adjustment_words(row)}"
        for row in rows
    ]
    output.result({"adjustments": rows}, *(lines or ["no adjustments are kept yet"]))
    return ExitCode.GOOD


def tell_placements(kept: Kept, output: Output) -> ExitCode:
    """Print what returns to marks changed, and how the next one is expected to begin."""
    lines: list[str] = []
    figures: list[dict[str, Any]] = []
    for known in marks_known(kept.stands):
        lines += _marks_lines(known)
        figures.append(_marks_figures(known))
    nothing = "no placements are kept yet: say `polewright placement NAME` when the feet stand"
    output.result({"placements": figures}, *(lines or [nothing]))
    return ExitCode.GOOD


def evening_head(evening: KeptEvening, kept: Kept) -> str:
    """Return an evening's number and date, with the marks on which the feet stood."""
    marks = sorted({name for one in kept.surveys_of(evening) if (name := kept.marks_of(one))})
    return f"evening {evening.number}, {evening.began:%Y-%m-%d}" + (
        f", {', '.join(marks)}" if marks else ""
    )


def _marks_lines(known: MarksKnown) -> list[str]:
    head = f"{known.name} ({known.mount or 'turned by hand'})"
    count = len(known.returns)
    if not count:
        return [f"{head}: stood there {known.stands} times, no return measured yet"]
    altitude, azimuth = _changes(known)
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


def _marks_figures(known: MarksKnown) -> dict[str, Any]:
    figures: dict[str, Any] = {
        "mount": known.mount,
        "marks": known.name,
        "stands": known.stands,
        "returns": [return_figures(known.mount, one) for one in known.returns],
    }
    if known.returns:
        for name, value in zip(("altitude", "azimuth"), _changes(known), strict=True):
            figures |= {
                f"{name}_change_arcmin": value.mean_rad / ARCMIN_RAD,
                f"{name}_spread_arcmin": value.spread_rad / ARCMIN_RAD,
                f"{name}_wide_arcmin": value.wide_rad / ARCMIN_RAD,
            }
    return figures


def _changes(known: MarksKnown) -> tuple[NextValue, NextValue]:
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
