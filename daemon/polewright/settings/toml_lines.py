"""Where in a TOML text each key stands: the standard parser tells values, not lines."""

import re

KeyPath = tuple[str, ...]

_KEY_PART = r"""(?:[A-Za-z0-9_\-]+|"[^"\n]*"|'[^'\n]*')"""
_KEY = rf"{_KEY_PART}(?:\s*\.\s*{_KEY_PART})*"
_TABLE = re.compile(rf"^\s*\[\[?\s*({_KEY})\s*\]\]?\s*(?:#.*)?$")
_ASSIGNMENT = re.compile(rf"^\s*({_KEY})\s*=(.*)$")
_PART = re.compile(_KEY_PART)
# One token of a value: a whole string, a comment, an opening of a long string, or a character.
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""'
    r"|'''.*?'''"
    r'|(?P<open>"""|' + "''')"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'|#[^\n]*|.",
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) of every table and key of a valid TOML text.

    Keys inside an inline table are not listed; see :func:`line_of`.
    """
    lines: dict[KeyPath, int] = {}
    table: KeyPath = ()
    open_value = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if open_value:
            open_value += "\n" + line
            if _complete(open_value):
                open_value = ""
            continue
        if match := _TABLE.match(line):
            table = _path(match.group(1))
            lines.setdefault(table, number)
        elif match := _ASSIGNMENT.match(line):
            path = table + _path(match.group(1))
            for depth in range(len(table) + 1, len(path) + 1):
                lines.setdefault(path[:depth], number)
            if not _complete(match.group(2)):
                open_value = match.group(2)
    return lines


def line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int | None:
    """Return the line of a key, or of the nearest table around it; None where there is none."""
    for depth in range(len(path), 0, -1):
        if (line := lines.get(path[:depth])) is not None:
            return line
    return None


def _path(key: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in _PART.findall(key))


def _complete(value: str) -> bool:
    """True where no bracket and no multi-line string is left open."""
    depth = 0
    for token in _TOKEN.finditer(value):
        if token["open"]:
            return False
        depth += (token[0] in ("[", "{")) - (token[0] in ("]", "}"))
    return depth <= 0
