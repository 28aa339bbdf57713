"""Made blocks: the parts of a page between two marks, which are never edited by hand."""

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = ROOT / "docs"

_BLOCK = re.compile(
    r"(?P<head><!-- made: (?P<name>[a-z-]+) -->\n)(?P<body>.*?)(?P<foot><!-- made: end -->)",
    re.DOTALL,
)


def filled(text: str, makers: Mapping[str, Callable[[], str]]) -> str:
    """Return a page with every made block made anew; KeyError where a mark names no maker."""
    return _BLOCK.sub(
        lambda block: f"{block['head']}{makers[block['name']]().rstrip()}\n{block['foot']}", text
    )


def names_in(text: str) -> list[str]:
    """Return the names of the made blocks of a page."""
    return [block["name"] for block in _BLOCK.finditer(text)]


def pages() -> list[Path]:
    """Return the pages that hold made blocks."""
    found = sorted(path for path in PAGES.rglob("*.md"))
    return [path for path in found if names_in(path.read_text("utf-8"))]


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """Return a table as the pages write it."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(_cell(text) for text in line) + " |" for line in lines)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
