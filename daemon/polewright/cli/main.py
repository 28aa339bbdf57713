"""The one place where a command is called and where errors become exit codes."""

import argparse
import importlib
import logging
import os
import sys
from collections.abc import Sequence

from polewright.cli.output import ExitCode, Output
from polewright.cli.parser import parser
from polewright.core.errors import PolewrightError

# Which function of which module of this room obeys; one is imported only when it is asked for:
# ``stop`` must start fast.
OBEYED_BY = {
    "run": "service:run",
    "sight": "sighting:sight",
    "demo": "rehearsal:demo",
    "page": "page:page",
    "axis": "offline:axis",
    "solve": "offline:solve",
    "history": "history:history",
    "doctor": "doctor:doctor",
    "tolerance": "tolerance:tolerance",
    "plan": "plan:plan",
    "sun": "sun:sun",
    "pole": "pole:pole",
    "config": "settings:config",
    "survey": "surveying:survey",
    "align-stars": "star_aligning:align_stars",
    "adjust": "adjusting:adjust",
    "verify": "verifying:verify",
    "drift": "drifting:drift",
    "keep-watch": "watchkeeping:keep_watch",
    "fleet": "fleet:fleet",
    "stop": "stopping:stop",
    "turned": "remote:turned",
    "solar-filter": "remote:solar_filter",
    "sensor-on-sun": "remote:sensor_on_sun",
    "placement": "remote:placement",
    "status": "remote:status",
    "watch": "remote:watch",
}


def joined_values(arguments: Sequence[str]) -> list[str]:
    """Return the arguments with ``--at -32.4,22.7`` as one: a minus sign looks like an option."""
    joined: list[str] = []
    for argument in arguments:
        negative = argument[:1] == "-" and argument[1:2] != "-"
        if negative and joined and joined[-1] in ("--at", "--zone"):
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    options = parser().parse_args(joined_values(sys.argv[1:] if arguments is None else arguments))
    output = Output(as_json=options.json)
    try:
        return int(_dispatch(options, output))
    except PolewrightError as failure:
        output.error(failure)
        return failure.exit_code
    except BaseExceptionGroup as group:
        expected = only_expected(group)
        if expected is None:
            raise
        output.error(expected)
        return expected.exit_code
    except KeyboardInterrupt as left:
        output.note(str(left) or "ended")
        return 130
    except BrokenPipeError:
        # The reader of a pipe has gone: nothing more to say, and no traceback at exit either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def only_expected(group: BaseExceptionGroup[BaseException]) -> PolewrightError | None:
    """Return the first expected error of a group that holds nothing else; else None."""
    expected, rest = group.split(PolewrightError)
    if rest is not None or expected is None:
        return None
    first: BaseExceptionGroup[PolewrightError] | PolewrightError = expected
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    return first


def _dispatch(options: argparse.Namespace, output: Output) -> ExitCode:
    if options.verbose:
        logging.getLogger("polewright").setLevel(logging.DEBUG)
    module, function = OBEYED_BY[options.command].split(":")
    obey = getattr(importlib.import_module(f"polewright.cli.{module}"), function)
    return ExitCode(obey(options, output))
