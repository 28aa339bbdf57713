"""``polewright doctor``: what is in order, and what to do where it is not."""

import argparse
import asyncio
import sys

from polewright.adapters.indi.quiet import divert_library_chatter
from polewright.app.checkup import check_up
from polewright.app.findings import Finding, Mark
from polewright.app.traffic import listen, traffic_written
from polewright.cli.output import ExitCode, Output
from polewright.core.errors import LinkError
from polewright.logs import setup_logging
from polewright.settings.load import find_settings_file, load_settings

_SIGNS = {Mark.GOOD: "ok ", Mark.NOTE: "?  ", Mark.BAD: "!! "}


def doctor(options: argparse.Namespace, output: Output) -> ExitCode:
    """Walk the chain, and record the devices' traffic if asked; exit code 3 where a step is bad."""
    path = find_settings_file(options.config)
    settings = load_settings(path)
    divert_library_chatter()
    level = "debug" if options.verbose else "warning"
    setup_logging(level=level, form="text", stream=sys.stderr)

    async def walk() -> list[Finding]:
        found = []
        async for finding in check_up(settings, path):
            found.append(finding)
            if not output.as_json:
                output.result({}, *_lines(finding))
        return found

    async def walk_recorded() -> list[Finding]:
        with traffic_written(options.record, with_place=options.with_place) as recorder:
            found = await walk()
            output.note(f"listening for {options.seconds:g} s; do now what goes wrong")
            try:
                await listen(settings, options.seconds)
            except LinkError as trouble:
                # The walk has found it and said what to do.
                output.note(trouble.text)
        output.note(
            f"{recorder.count} messages are in {options.record}; read it before you pass it on"
        )
        return found

    findings = asyncio.run(walk() if options.record is None else walk_recorded())
    bad = [finding for finding in findings if finding.mark is Mark.BAD]
    if output.as_json:
        output.result(
            {
                "ok": not bad,
                "findings": [
                    {
                        "step": one.step,
                        "mark": one.mark.value,
                        "text": one.text,
                        "remedy": one.remedy,
                    }
                    for one in findings
                ],
            }
        )
    return ExitCode.CANNOT_TELL if bad else ExitCode.GOOD


def _lines(finding: Finding) -> tuple[str, ...]:
    first = f"{_SIGNS[finding.mark]}{finding.step}: {finding.text}"
    return (first, f"     {finding.remedy}") if finding.remedy else (first,)
