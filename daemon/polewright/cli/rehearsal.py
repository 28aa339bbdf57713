"""``polewright demo``: the rehearsal, with what happens shown as it happens."""

import argparse
import asyncio
import json
import logging
import signal

from polewright.adapters.indi.quiet import divert_library_chatter
from polewright.app.day_rehearsal import DayReport, rehearse_day
from polewright.app.memory import give_frames_back
from polewright.app.rehearsal import RehearsalReport, rehearse
from polewright.cli.day_rehearsal import DAY_CAUTION, day_held, day_lines
from polewright.cli.output import ExitCode, Output
from polewright.core.errors import UsageError
from polewright.logs import setup_logging

# What a rehearsal is held against: the true error that simulated hands must reach, and how far
# a claim may be from the truth, in its own sigmas.
_TRUE_ERROR_ARCSEC = 15.0
_HONEST_SIGMAS = 4.0


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

        async def linger(report: RehearsalReport | DayReport) -> None:
            bar.update(1.0, "rehearsed")
            _tell_outcome(report, options, output)
            if options.stay:
                output.note("service and page stay until Ctrl-C, for you to try; nothing is real")
                await _asked_to_end()

        def on_page(address: str) -> None:
            output.note(f"page: {address}")

        report: RehearsalReport | DayReport
        if options.day:
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


def _tell_outcome(
    report: RehearsalReport | DayReport, options: argparse.Namespace, output: Output
) -> None:
    if options.report is not None:
        try:
            options.report.write_text(json.dumps(report.as_dict(), indent=2) + "\n", "utf-8")
        except OSError as trouble:
            raise UsageError(
                f"the report {options.report} cannot be written: {trouble.strerror}",
                remedy="Name a file in a folder that you may write to.",
            ) from None
    lines = day_lines(report) if isinstance(report, DayReport) else _lines(report)
    output.result(report.as_dict(), *lines)


def _held(report: RehearsalReport | DayReport) -> bool:
    if isinstance(report, DayReport):
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
