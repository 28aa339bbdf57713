"""``polewright demo``: the rehearsal, with what happens shown as it happens."""

import argparse
import asyncio
import json
import logging
import signal
from pathlib import Path

from polewright.adapters.indi.quiet import divert_library_chatter
from polewright.app.day_rehearsal import DayReport, rehearse_day
from polewright.app.evening_rehearsal import EveningReport, rehearse_evening
from polewright.app.memory import give_frames_back
from polewright.app.rehearsal import RehearsalReport, rehearse
from polewright.cli.day_rehearsal import DAY_CAUTION, day_held, day_lines
from polewright.cli.output import ExitCode, Output
from polewright.core.errors import UsageError, cannot_write
from polewright.logs import setup_logging

# What a rehearsal is held against: the true error that simulated hands must reach, and how far
# a claim may be from the truth, in its own sigmas.
_TRUE_ERROR_ARCSEC = 15.0
_HONEST_SIGMAS = 4.0

Report = RehearsalReport | DayReport


def demo(options: argparse.Namespace, output: Output) -> ExitCode:
    """Rehearse one evening and hold the claim against the truth."""
    import sys

    divert_library_chatter()
    give_frames_back()
    setup_logging(level="debug" if options.verbose else "warning", form="text", stream=sys.stderr)
    logging.captureWarnings(True)
    # The simulated night is another night than this computer's; nobody needs to be told.
    for name in ("polewright.app.service", "polewright.app.site"):
        logging.getLogger(name).setLevel(logging.ERROR)
    output.note("polewright rehearsal: nothing real moves.")
    with output.progress("rehearsal") as bar:
        done = 0.0

        def tell(step: str, fraction: float | None) -> None:
            nonlocal done
            done = fraction if fraction is not None else min(0.95, done + 0.01)
            bar.update(done, step)

        async def linger(report: Report) -> None:
            bar.update(1.0, "rehearsed")
            _tell_outcome(report, options, output)
            if options.stay:
                output.note("service and page stay until Ctrl-C, for you to try; nothing is real")
                await _asked_to_end()

        def on_page(address: str) -> None:
            output.note(f"page: {address}")

        report: Report
        if options.evening:
            output.note(DAY_CAUTION)
            report = asyncio.run(
                rehearse_evening(options.seed, options.site, tell, on_page=on_page, linger=linger)
            )
        elif options.day:
            output.note(DAY_CAUTION)
            report = asyncio.run(
                rehearse_day(options.seed, options.site, tell, on_page=on_page, linger=linger)
            )
        else:
            report = asyncio.run(
                rehearse(options.seed, options.site, tell, on_page=on_page, linger=linger)
            )
    return ExitCode.GOOD if _held(report) else ExitCode.NOT_GOOD_ENOUGH


async def _asked_to_end() -> None:
    asked = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, asked.set)
    await asked.wait()


def _tell_outcome(report: Report, options: argparse.Namespace, output: Output) -> None:
    if options.report is not None:
        _write(options.report, report, output)
    lines = day_lines(report) if not isinstance(report, RehearsalReport) else _lines(report)
    output.result(report.as_dict(), *lines)


def _write(file: Path, report: Report, output: Output) -> None:
    """Write the figures as JSON, or an evening's page where the file's name asks for one."""
    if file.suffix.lower() in (".html", ".htm"):
        if not isinstance(report, EveningReport):
            raise UsageError(
                f"only a whole evening is reported as a page, so {file} was not written",
                remedy="Rehearse with --evening, or name a .json file.",
            )
        from polewright.adapters.journal.reading import open_reader
        from polewright.cli.evening_report import report_evening

        with open_reader(report.journal) as reader:
            report_evening(reader, file, None, report.journal, output)
        return
    try:
        file.write_text(json.dumps(report.as_dict(), indent=2) + "\n", "utf-8")
    except OSError as trouble:
        raise cannot_write(file, trouble) from None


def _held(report: Report) -> bool:
    if not isinstance(report, RehearsalReport):
        return day_held(report)
    return (
        report.final_true_arcsec < _TRUE_ERROR_ARCSEC
        and abs(report.claimed_minus_true_sigmas) < _HONEST_SIGMAS
    )


def _outcome_words(report: RehearsalReport) -> str:
    off = f"the axis is {report.final_true_arcsec:.0f} arcsec off the pole in truth"
    if _held(report):
        return f"GOOD ENOUGH - the rehearsal succeeded: {off}, and the service's claim holds"
    if report.final_true_arcsec >= _TRUE_ERROR_ARCSEC:
        return f"NOT YET - the rehearsal failed: {off}; {_TRUE_ERROR_ARCSEC:.0f} were to be reached"
    return (
        f"the rehearsal failed: {off}, but the service claimed "
        f"{report.final_claimed_arcsec:.0f} +- {report.final_sigma_arcsec:.0f}"
    )


def _lines(report: RehearsalReport) -> tuple[str, ...]:
    return (
        _outcome_words(report),
        f"{report.site}, seed {report.seed}, against the {report.target_pole} pole:",
        f"  true error at the start  {report.initial_true_arcsec / 60.0:8.2f} arcmin",
        f"  true error at the end    {report.final_true_arcsec:8.2f} arcsec",
        f"  the service claimed      {report.final_claimed_arcsec:8.2f} arcsec "
        f"+- {report.final_sigma_arcsec:.2f}",
        f"  {report.hand_moves} turns of the hands, {report.corrections_published} corrections, "
        f"{report.frames} frames, {report.wall_s:.0f} s",
    )
