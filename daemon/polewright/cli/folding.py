"""Long lines folded between words, to the width of this terminal."""

import shutil
import textwrap
from collections.abc import Iterable

# Longer lines are hard to read; without a terminal they are folded there as well.
_WIDEST = 84
_NARROWEST = 20


def folded(lines: Iterable[str]) -> list[str]:
    """Return the lines folded, each part as far in as its line began.

    Lines with several spaces between words are tables and drawings, and stay as they are.
    """
    width = max(_NARROWEST, min(shutil.get_terminal_size((_WIDEST, 24)).columns, _WIDEST))
    parts: list[str] = []
    for line in lines:
        begin = line[: len(line) - len(line.lstrip(" "))]
        if len(line) <= width or "  " in line.strip():
            parts.append(line)
        else:
            parts += textwrap.wrap(line, width, subsequent_indent=begin, break_on_hyphens=False)
    return parts
