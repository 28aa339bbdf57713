"""``polewright sight``: the axis by the Sun, the Moon or a planet, by day."""

import argparse
import asyncio
from functools import partial
from typing import Any

from polewright.cli.interrupting import NOT_AWAITED, STOPPED, stopped_by_ctrl_c
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.cli.reaching import command
from polewright.cli.stopping import stop_by_all_ways
from polewright.cli.surveying import survey_lines
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

CAUTION = (
    "By day: never look at the Sun, through this or any other tube or finder; the filter in front "
    "of the objective, every other tube and finder capped; never leave the telescope alone."
)


def sight(options: argparse.Namespace, output: Output) -> ExitCode:
    """Take one sight, and say what all sights tell of the axis; Ctrl-C stops the mount."""
    settings = load_settings(find_settings_file(options.config))
    output.note(CAUTION)
    try:
        result = asyncio.run(_sight(settings, options, output))
    except KeyboardInterrupt:
        raise KeyboardInterrupt(NOT_AWAITED) from None
    if result is None:
        raise KeyboardInterrupt(f"{STOPPED}; take the sight again when ready")
    sights = "one sight" if result["frames"] == 1 else f"{result['frames']} sights"
    lines = survey_lines(result)[:-2]
    output.result(result, *lines, f"  after {sights}. Next: {result['advice']}.")
    return VERDICT_EXIT_CODES[str(result["verdict"])]


async def _sight(
    settings: Settings, options: argparse.Namespace, output: Output
) -> dict[str, Any] | None:
    arguments: dict[str, Any] = {"body": options.body} if options.body else {}
    arguments |= {name: True for name in ("pointed", "turned", "anew") if getattr(options, name)}
    with output.progress("sight") as bar:

        async def work() -> dict[str, Any]:
            if options.clear:
                await command(settings, "confirm_clear")
            return await command(settings, "sight", arguments, bar.follow)

        stop = partial(stop_by_all_ways, settings, output.note)
        return await stopped_by_ctrl_c(work(), stop, output.note)
