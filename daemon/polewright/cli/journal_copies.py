"""``polewright history --backup`` and ``--restore``: the journal copied, and put back."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from polewright.adapters.journal.copies import CopyReport, back_up, restore
from polewright.cli.output import ExitCode, Output


def tell_backup(journal: Path, target: Path, output: Output) -> ExitCode:
    """Back a journal up and say what is in it."""
    report = back_up(journal, target)
    output.result(
        _figures(report),
        f"{report.path}: {_contents(report)}, proved whole",
        "  it tells where you observe: keep it where you keep such things",
    )
    return ExitCode.GOOD


def tell_restore(backup: Path, journal: Path, output: Output) -> ExitCode:
    """Put a backup in a journal's place and say where the one before went."""
    report = restore(backup, journal, now=datetime.now(UTC))
    lines = [f"{report.path} is now {backup}: {_contents(report)}, proved whole"]
    if report.set_aside is not None:
        lines.append(f"  the journal that stood there is kept as {report.set_aside}")
    output.result(_figures(report), *lines)
    return ExitCode.GOOD


def _contents(report: CopyReport) -> str:
    return f"{report.surveys} surveys, {report.frames} frames, {report.bytes_written / 1e6:.1f} MB"


def _figures(report: CopyReport) -> dict[str, Any]:
    return {
        "file": str(report.path),
        "version": report.version,
        "surveys": report.surveys,
        "frames": report.frames,
        "bytes": report.bytes_written,
        "set_aside": None if report.set_aside is None else str(report.set_aside),
    }
