"""``polewright keep-watch``: watch over a night's imaging."""

import argparse
import asyncio
from typing import Any

from polewright.cli.output import ExitCode, Output
from polewright.cli.reaching import command
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

GOES_ON = (
    "The watch goes on without this display. `polewright keep-watch --end` ends it; the mount is "
    "left alone."
)


def keep_watch(options: argparse.Namespace, output: Output) -> ExitCode:
    """Keep watch until it is ended; Ctrl-C leaves the display. 1 where the axis moved."""
    settings = load_settings(find_settings_file(options.config))
    arguments: dict[str, Any] = {"end": True} if options.end else {}
    if options.hours is not None:
        arguments["hours"] = options.hours
    try:
        result = asyncio.run(_watched(settings, arguments, output))
    except KeyboardInterrupt:
        raise KeyboardInterrupt(GOES_ON) from None
    output.result(result, *_lines(result, ended=options.end))
    return ExitCode.NOT_GOOD_ENOUGH if result.get("alarms") else ExitCode.GOOD


def _lines(result: dict[str, Any], *, ended: bool) -> tuple[str, ...]:
    if ended:
        return ("the watch is ended" if result["stopped"] else "no watch was kept",)
    alarms = result["alarms"]
    return (
        "the axis stayed where it was" if not alarms else f"the axis moved: {alarms} alarms",
        f"  {result['frames']} frames, {result['unsolved']} passed over, "
        f"{result['guide_offsets']} offsets of the guide star",
    )


async def _watched(settings: Settings, arguments: dict[str, Any], output: Output) -> dict[str, Any]:
    with output.progress("keep-watch") as bar:
        return await command(settings, "keep_watch", arguments, bar)
