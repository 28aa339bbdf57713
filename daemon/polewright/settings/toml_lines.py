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
    value = _Value()
    for number, line in enumerate(text.splitlines(), start=1):
        if value.open:
            value.take("\n" + line)
            continue
        if match := _TABLE.match(line):
            table = _path(match.group(1))
            lines.setdefault(table, number)
        elif match := _ASSIGNMENT.match(line):
            path = table + _path(match.group(1))
            for depth in range(len(table) + 1, len(path) + 1):
                lines.setdefault(path[:depth], number)
            value = _Value()
            value.take(match.group(2))
    return lines


def line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int | None:
    """Return the line of a key, or of the nearest table around it; None where there is none."""
    for depth in range(len(path), 0, -1):
        if (line := lines.get(path[:depth])) is not None:
            return line
    return None


def _path(key: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in _PART.findall(key))


class _Value:
    """A value that may go on over lines: open while a bracket or a long string is."""

    def __init__(self) -> None:
        self._depth = 0
        self._string = ""

    @property
    def open(self) -> bool:
        return self._depth > 0 or bool(self._string)

    def take(self, piece: str) -> None:
        """Read on; what was read once is not read again, but for a string that is still open."""
        text, self._string = self._string + piece, ""
        for token in _TOKEN.finditer(text):
            if token["open"]:
                self._string = text[token.start() :]
                return
            self._depth += (token[0] in ("[", "{")) - (token[0] in ("]", "}"))
