"""Many mounts in a terminal: one line each, the worst first, deep red on black."""

import textwrap
from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.text import Text

from polewright.program import as_called
from polewright.session.fleet import counts_words
from polewright.session.mount_standing import MountRow, Standing, lapse_words

_STYLE = "red3"
_STRONG = "bold red1"
_FAINT = "dark_red"

_CALM = (Standing.GOOD_ENOUGH, Standing.OFF)
_WORDS_WIDE = 15
_LEAST_NAME_WIDE, _MOST_NAME_WIDE = 8, 24
_NARROWEST = 40
# A note says why and what to do; in a display that is drawn anew it may take so many lines.
_NOTE_LINES = 2


def fleet_screen(
    rows: Sequence[MountRow], link: str, where: str, *, width: int, height: int
) -> RenderableType:
    """Return the display of one moment for a window of that many cells.

    The worst stand above; what has no room is counted.

    Parameters
    ----------
    rows : sequence of MountRow
        The worst first.
    link : str
        Why the broker is not heard; empty where it is.
    where : str
        Which broker, which root.
    """
    parts: list[RenderableType] = [Rule(Text(where, style=_STYLE), style=_FAINT, characters="-")]
    used = 1
    if link:
        wrapped = textwrap.wrap(as_called(link), max(width, _NARROWEST))
        words = "It goes on by itself once the broker is there; what follows is as it was."
        parts += [Text("\n".join(wrapped), style=_STRONG), Text(words, style=_STYLE)]
        used += len(wrapped) + 1
    if not rows:
        if not link:
            parts.append(Text("No mount has said anything at this broker yet.", style=_STYLE))
        return Group(*parts)
    head = textwrap.wrap(counts_words(list(rows)), max(width, _NARROWEST))
    parts += [Text("\n".join(head), style=_STRONG), Text(_head(rows, width), style=_FAINT)]
    used += len(head) + 1
    name_wide = _name_wide(rows)
    for number, row in enumerate(rows):
        lines = row_lines(row, name_wide, width, most_note_lines=_NOTE_LINES)
        # The last line of the window is for those that have no room.
        spare = 0 if number == len(rows) - 1 else 1
        if used + len(lines) + spare > height:
            rest = list(rows[number:])
            more = f"and {counts_words(rest).replace(' mount', ' more mount', 1)}"
            parts.append(Text(more, style=_STYLE, no_wrap=True, overflow="ellipsis"))
            break
        used += len(lines)
        strong = row.standing not in _CALM
        for index, line in enumerate(lines):
            style = _STRONG if strong and index == 0 else _STYLE
            parts.append(Text(line, style=style, no_wrap=True, overflow="ellipsis"))
    return Group(*parts)


def fleet_lines(rows: Sequence[MountRow], width: int) -> list[str]:
    """Return everything as plain lines, for a terminal of that width or a pipe."""
    if not rows:
        return ["no mount has said anything at this broker"]
    lines = [counts_words(list(rows)), _head(rows, width)]
    name_wide = _name_wide(rows)
    for row in rows:
        lines += row_lines(row, name_wide, width)
    return lines


def row_lines(
    row: MountRow, name_wide: int, width: int, *, most_note_lines: int | None = None
) -> list[str]:
    """Return one mount's line, and what a person has to know of it below."""
    name = row.mount if len(row.mount) <= name_wide else f"{row.mount[: name_wide - 1]}~"
    line = (
        f"{row.words.upper():{_WORDS_WIDE}}{name:{name_wide}}  {_error(row):16}{_allowed(row):9}"
        f"{_when(row):10}{row.state or ''}"
    ).rstrip()
    note = as_called(". ".join(part for part in (row.note, row.remedy) if part))
    indent = " " * _WORDS_WIDE if width >= 60 else "  "
    below = textwrap.wrap(
        note, max(width, _NARROWEST), initial_indent=indent, subsequent_indent=indent,
        max_lines=most_note_lines, placeholder=" ...", break_on_hyphens=False,
    )  # fmt: skip
    return [line, *below]


def _head(rows: Sequence[MountRow], width: int) -> str:
    name = f"{'mount':{_name_wide(rows)}}"
    return f"{'':{_WORDS_WIDE}}{name}  {'off by, arcmin':16}{'allowed':9}{'measured':10}state"[
        :width
    ]


def _name_wide(rows: Sequence[MountRow]) -> int:
    longest = max((len(row.mount) for row in rows), default=0)
    return min(max(longest, _LEAST_NAME_WIDE), _MOST_NAME_WIDE)


def _error(row: MountRow) -> str:
    error, sigma = row.total_error_arcmin, row.total_error_sigma_arcmin
    if error is None:
        return "-"
    return f"{error:.2f}" if sigma is None else f"{error:.2f} +- {sigma:.2f}"


def _allowed(row: MountRow) -> str:
    return "-" if row.tolerance_arcmin is None else f"{row.tolerance_arcmin:.2f}"


def _when(row: MountRow) -> str:
    if row.live:
        return "live"
    return "-" if row.measured_age_s is None else lapse_words(row.measured_age_s)
