"""``polewright history --report``: one evening as a page."""

from pathlib import Path

from polewright.adapters.journal.figures import Kept
from polewright.adapters.journal.reading import JournalReader
from polewright.app.evening_report import evening_page, surveyed_evening
from polewright.app.printing import write_sheet
from polewright.cli.output import ExitCode, Output


def report_evening(
    reader: JournalReader, path: Path, number: int | None, file: Path, output: Output
) -> ExitCode:
    """Write an evening's report.

    Raises
    ------
    UsageError
        There is no such evening, or the file cannot be written.
    """
    kept = Kept.read(reader)
    evening = surveyed_evening(kept, number)
    write_sheet(path, evening_page(reader, kept, evening, file.stem))
    output.result(
        {"file": str(path), "evening": evening.number},
        f"wrote the report of evening {evening.number}, {evening.began:%Y-%m-%d}, to {path}",
        "  it is whole in itself: it can be mailed, kept, or printed black on white",
    )
    return ExitCode.GOOD
