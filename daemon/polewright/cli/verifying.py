"""``polewright verify``: before imaging, whether the axis is still good enough."""

import argparse
from collections.abc import Mapping
from typing import Any

from polewright.cli.moving import moved
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.settings.load import find_settings_file, load_settings

_WORDS = {
    "good_enough": "GOOD ENOUGH",
    "not_yet": "NOT GOOD ENOUGH",
    "cannot_tell": "CANNOT TELL",
}


def verify(options: argparse.Namespace, output: Output) -> ExitCode:
    """Verify the axis and say what came out; Ctrl-C stops the mount."""
    settings = load_settings(find_settings_file(options.config))
    arguments = {} if options.depth is None else {"depth": options.depth}
    result = moved(
        settings, "verify", arguments, output, clear=options.clear,
        again="verify again when ready: polewright verify",
    )  # fmt: skip
    output.result(result, *verification_lines(result))
    return exit_code(result)


def exit_code(result: Mapping[str, Any]) -> ExitCode:
    """Return 0 for good enough, 1 for not good enough or seen to have moved, else 3."""
    verdict = str(result["verdict"])
    if verdict != "good_enough" and result["moved"]:
        return ExitCode.NOT_GOOD_ENOUGH
    return VERDICT_EXIT_CODES[verdict]


def verification_lines(result: Mapping[str, Any]) -> tuple[str, ...]:
    """Return a verification as a person reads it, the verdict first."""
    head, _, rest = str(result["words"]).partition("; ")
    lines = [_WORDS.get(str(result["verdict"]), head)]
    if result["moved"] and result["verdict"] != "good_enough":
        lines[0] += ": something moved"
    lines += [f"  {part}" for part in rest.split("; ") if part]
    how = "a look" if result["depth"] == "quick" else "a survey"
    if result["frames"]:
        lines.append(f"  by {how}: {result['frames']} frame{'s' if result['frames'] > 1 else ''}")
    if result["remedy"]:
        lines.append(f"  {result['remedy']}")
    elif result["verdict"] == "not_yet":
        lines.append("next: `polewright adjust`, and turn the bolts while it runs")
    return tuple(lines)
