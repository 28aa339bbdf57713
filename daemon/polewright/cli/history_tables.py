"""``polewright history export``: the journal's figures as a table, CSV or ECSV."""

import csv
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from polewright import __version__
from polewright.adapters.journal.figures import (
    SURVEY_COLUMNS,
    Kept,
    adjustment_figures,
    bracket_row,
    evening_figures,
    knob_figures,
    marks_known,
    return_figures,
    survey_figures,
)
from polewright.adapters.journal.reading import JournalReader
from polewright.core.errors import UsageError, cannot_write

Row = dict[str, Any]

_UNITS = {"arcmin": "arcmin", "arcsec": "arcsec", "deg": "deg"}


def _surveys(reader: JournalReader) -> list[Row]:
    kept = Kept.read(reader)
    return [survey_figures(kept, survey) for survey in kept.surveys]


def _adjustments(reader: JournalReader) -> list[Row]:
    kept = Kept.read(reader)
    rows = [adjustment_figures(kept, survey) for survey in kept.surveys]
    return [row for row in rows if row is not None]


def _evenings(reader: JournalReader) -> list[Row]:
    kept = Kept.read(reader)
    return [
        {
            name: ", ".join(map(str, value)) if isinstance(value, list) else value
            for name, value in evening_figures(kept, evening).items()
        }
        for evening in kept.evenings
    ]


def _returns(reader: JournalReader) -> list[Row]:
    return [
        return_figures(known.mount, one)
        for known in marks_known(Kept.read(reader).stands)
        for one in known.returns
    ]


def _knobs(reader: JournalReader) -> list[Row]:
    return [knob_figures(record) for record in reader.knobs()]


def _brackets(reader: JournalReader) -> list[Row]:
    return [bracket_row(record) for record in reader.brackets()]


TABLES: Mapping[str, Callable[[JournalReader], list[Row]]] = {
    "surveys": _surveys,
    "adjustments": _adjustments,
    "evenings": _evenings,
    "placements": _returns,
    "knobs": _knobs,
    "brackets": _brackets,
}
"""By the name of what is exported."""


def export(reader: JournalReader, name: str | None, of: str) -> tuple[Path, int]:
    """Write one table; return the file and the number of its rows.

    Raises
    ------
    UsageError
        No file was named, of no known kind, or it cannot be written.
    """
    if name is None:
        raise UsageError("no file was named", remedy="Name one: polewright history export FILE.csv")
    path = Path(name)
    writer = _WRITERS.get(path.suffix.lower())
    if writer is None:
        raise UsageError(
            f"{path} ends neither in .csv nor in .ecsv, which say what is written",
            remedy="Name a .csv file for a spreadsheet, or .ecsv for a table with units.",
            code="cannot_write",
        )
    rows = TABLES[of](reader)
    first = SURVEY_COLUMNS if of == "surveys" else ()
    columns = list(dict.fromkeys([*first, *(column for row in rows for column in row)]))
    try:
        writer(path, columns, rows, of)
    except OSError as trouble:
        raise cannot_write(path, trouble) from None
    return path, len(rows)


def _write_csv(path: Path, columns: Sequence[str], rows: Iterable[Row], _of: str) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)


def _write_ecsv(path: Path, columns: Sequence[str], rows: Sequence[Row], of: str) -> None:
    """Write with units and missing values (APE 6: Enhanced Character Separated Values)."""
    from astropy.table import MaskedColumn, Table

    table = Table(meta={"made_by": f"polewright {__version__}", "table": of})
    for column in columns:
        values = [row.get(column) for row in rows]
        missing = [value is None for value in values]
        known = [value for value in values if value is not None]
        filler: Any = type(known[0])() if known else ""
        table[column] = MaskedColumn(
            [filler if value is None else value for value in values],
            mask=missing,
            unit=_unit(column),
        )
    table.write(path, format="ascii.ecsv", overwrite=True)


def _unit(column: str) -> str | None:
    """Return the unit that ends a column's name."""
    if column.startswith("arcmin_per_turn"):
        return "arcmin"
    return _UNITS.get(column.rpartition("_")[2])


_WRITERS: Mapping[str, Callable[[Path, Sequence[str], Sequence[Row], str], None]] = {
    ".csv": _write_csv,
    ".ecsv": _write_ecsv,
}
