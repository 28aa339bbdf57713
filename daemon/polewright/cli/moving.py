"""Commands that move the mount: the person's word first where it is given, and Ctrl-C stops."""

import asyncio
from collections.abc import Mapping
from functools import partial
from typing import Any

from polewright.cli.interrupting import NOT_AWAITED, STOPPED, stopped_by_ctrl_c
from polewright.cli.output import Output
from polewright.cli.reaching import command
from polewright.cli.stopping import stop_by_all_ways
from polewright.settings.model import Settings


def moved(
    settings: Settings,
    verb: str,
    arguments: Mapping[str, Any],
    output: Output,
    *,
    clear: bool,
    again: str,
) -> dict[str, Any]:
    """Carry out a command that moves the mount, and return its result.

    Parameters
    ----------
    verb : str
        Which command, with its arguments.
    clear : bool
        Give the person's word that the mount is clear to move before it.
    again : str
        What to say after a stop: how to begin again.

    Raises
    ------
    KeyboardInterrupt
        Ctrl-C: the mount was stopped, or it says that it may not have been.
    PolewrightError
        As the command.
    """
    try:
        result = asyncio.run(_moved(settings, verb, arguments, output, clear=clear))
    except KeyboardInterrupt:
        raise KeyboardInterrupt(NOT_AWAITED) from None
    if result is None:
        raise KeyboardInterrupt(f"{STOPPED}; {again}")
    return result


async def _moved(
    settings: Settings, verb: str, arguments: Mapping[str, Any], output: Output, *, clear: bool
) -> dict[str, Any] | None:
    with output.progress(verb.replace("_", "-")) as bar:

        async def work() -> dict[str, Any]:
            if clear:
                await command(settings, "confirm_clear")
            return await command(settings, verb, arguments, bar)

        stop = partial(stop_by_all_ways, settings, output.note)
        return await stopped_by_ctrl_c(work(), stop, output.note)
