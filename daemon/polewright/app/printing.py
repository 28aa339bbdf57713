"""Sheets to print: one HTML file, black on white, that fetches nothing and runs nothing."""

from html import escape
from pathlib import Path

from polewright.core.errors import UsageError, cannot_write

_STYLE = """\
@page { margin: 12mm }
body { font: 10.5pt/1.35 sans-serif; color: #000; background: #fff; margin: 0 auto;
  max-width: 190mm; padding: 2mm }
h1 { font-size: 16pt; margin: 0 0 1mm } h2 { font-size: 12pt; margin: 4mm 0 1mm }
p, ul { margin: 1mm 0 } ul { padding-left: 5mm }
.caution { border: 1mm solid #000; padding: 2mm; font-weight: bold }
table { border-collapse: collapse; font-variant-numeric: tabular-nums }
th, td { padding: 0.1mm 1.2mm; text-align: right; border-bottom: 0.2mm solid #999 }
th { border-bottom: 0.5mm solid #000 }
.mark { font-weight: bold; background: #ddd }
.side { display: flex; flex-wrap: wrap; gap: 4mm; align-items: flex-start }
.rows { font-size: 8pt; break-inside: avoid } tr, svg, figure { break-inside: avoid }
figure { margin: 0 } figcaption { font-size: 8.5pt; max-width: 80mm }
.beside { display: flex; flex-wrap: wrap; align-items: center; gap: 4mm }
@media print { body { padding: 0; font-size: 10pt } }
svg { display: block } svg text { font: 3.2px sans-serif; fill: #000 }"""


def sheet(title: str, caution: str, body: str) -> str:
    """Return a whole page; title and caution are words, the body is HTML."""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width">\n'
        f"<title>{escape(title)}</title>\n<style>\n{_STYLE}\n</style>\n</head>\n<body>\n"
        f'<h1>{escape(title)}</h1>\n<p class="caution">{escape(caution)}</p>\n'
        f"{body}\n</body>\n</html>\n"
    )


def rows_table(head: tuple[str, ...], rows: list[tuple[str, ...]], marked: int = -1) -> str:
    """Return a table of words; the row with the number ``marked`` stands out."""
    lines = ["".join(f"<th>{escape(cell)}</th>" for cell in head)]
    for number, row in enumerate(rows):
        kind = ' class="mark"' if number == marked else ""
        lines.append("".join(f"<td{kind}>{escape(cell)}</td>" for cell in row))
    body = "\n".join(f"<tr>{line}</tr>" for line in lines[1:])
    return (
        f'<table class="rows">\n<thead><tr>{lines[0]}</tr></thead>\n<tbody>\n{body}\n</tbody>\n'
        "</table>"
    )


def write_sheet(path: Path, text: str) -> None:
    """Write a sheet.

    Raises
    ------
    UsageError
        The name does not end in .html, or the file cannot be written.
    """
    if path.suffix.lower() not in (".html", ".htm"):
        raise UsageError(
            f"{path} does not end in .html, which is what is written",
            remedy="Name a .html file, and print it with a browser.",
            code="cannot_write",
        )
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as trouble:
        raise cannot_write(path, trouble) from None
