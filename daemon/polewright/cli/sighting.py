"""``polewright sight``: the axis by the Sun, the Moon or a planet, by day."""

import argparse
from typing import Any

from polewright.cli.moving import moved
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.cli.surveying import survey_lines
from polewright.settings.load import find_settings_file, load_settings

CAUTION = (
    "By day: never look at the Sun, through this or any other tube or finder; the filter in front "
    "of the objective, every other tube and finder capped; never leave the telescope alone."
)


def sight(options: argparse.Namespace, output: Output) -> ExitCode:
    """Take one sight, and say what all sights tell of the axis; Ctrl-C stops the mount."""
    settings = load_settings(find_settings_file(options.config))
    output.note(CAUTION)
    arguments: dict[str, Any] = {"body": options.body} if options.body else {}
    arguments |= {name: True for name in ("pointed", "turned", "anew") if getattr(options, name)}
    result = moved(
        settings, "sight", arguments, output,
        clear=options.clear, again="take the sight again when ready",
    )  # fmt: skip
    sights = "one sight" if result["frames"] == 1 else f"{result['frames']} sights"
    lines = survey_lines(result)[:-2]
    output.result(result, *lines, f"  after {sights}. Next: {result['advice']}.")
    return VERDICT_EXIT_CODES[str(result["verdict"])]
