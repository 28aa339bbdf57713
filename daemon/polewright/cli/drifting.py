"""``polewright drift``: the axis from how a tracked target wanders off."""

import argparse
import asyncio
from typing import Any

from polewright.cli.display import verdict_line
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.cli.reaching import command
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

CAUTION_BY_DAY = (
    "By day: never look at the Sun, through this or any other tube or finder; the filter in front "
    "of the objective, every other tube and finder capped; never leave the telescope alone."
)
GUIDING_OFF = "Tracking on, guiding off; leave bolts and tripod alone while it runs."
GOES_ON = "The check goes on without this display. `polewright stop` ends it, and all motion."


def drift(options: argparse.Namespace, output: Output) -> ExitCode:
    """Check the axis by drift; Ctrl-C leaves the display, the check goes on."""
    settings = load_settings(find_settings_file(options.config))
    output.note(CAUTION_BY_DAY if options.by == "bodies" else GUIDING_OFF)
    try:
        result = asyncio.run(_drift(settings, options, output))
    except KeyboardInterrupt:
        raise KeyboardInterrupt(GOES_ON) from None
    lines = [verdict_line(result)]
    lines += [f"  {result[name]}" for name in ("altitude_words", "azimuth_words") if name in result]
    if advice := result.get("advice"):
        lines.append(f"  {advice}")
    output.result(result, *lines)
    return VERDICT_EXIT_CODES[str(result["verdict"])]


async def _drift(settings: Settings, options: argparse.Namespace, output: Output) -> dict[str, Any]:
    arguments = {
        name: value
        for name, value in (("by", options.by), ("minutes", options.minutes))
        if value is not None
    }
    with output.progress("drift") as bar:
        return await command(settings, "drift", arguments, bar)
