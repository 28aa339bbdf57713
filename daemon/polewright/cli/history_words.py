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
from polewright.app.history_words import (
    adjustment_words,
    instant_in,
    marks_changes,
    marks_lines,
    went_words,
)
from polewright.cli.output import ExitCode, Output
from polewright.core.geometry.directions import ARCMIN_RAD


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
        lines += marks_lines(known)
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


def _marks_figures(known: MarksKnown) -> dict[str, Any]:
    figures: dict[str, Any] = {
        "mount": known.mount,
        "marks": known.name,
        "stands": known.stands,
        "returns": [return_figures(known.mount, one) for one in known.returns],
    }
    if known.returns:
        for name, value in zip(("altitude", "azimuth"), marks_changes(known), strict=True):
            figures |= {
                f"{name}_change_arcmin": value.mean_rad / ARCMIN_RAD,
                f"{name}_spread_arcmin": value.spread_rad / ARCMIN_RAD,
                f"{name}_wide_arcmin": value.wide_rad / ARCMIN_RAD,
            }
    return figures
