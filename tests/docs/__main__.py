"""Makes the documentation's tables and figures anew: ``./run docs [--check]``."""

import argparse
import sys

from tests.docs.blocks import ROOT, filled, pages
from tests.docs.figures import draw_all
from tests.docs.screens import draw_screens
from tests.docs.tables import MAKERS
from tests.docs.wire import SCHEMAS, wire_files


def main() -> int:
    """Write what has changed; with --check only say what would change."""
    parser = argparse.ArgumentParser(prog="run docs", description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; 1 if pages are old")
    check = parser.parse_args().check
    old = []
    for page in pages():
        text = page.read_text("utf-8")
        if (made := filled(text, MAKERS)) != text:
            old.append(page)
            if not check:
                page.write_text(made, "utf-8")
    for path, made in wire_files().items():
        if not path.exists() or path.read_text("utf-8") != made:
            old.append(path)
            if not check:
                path.parent.mkdir(exist_ok=True)
                path.write_text(made, "utf-8")
    for path in set(SCHEMAS.glob("*.json")) - set(wire_files()):
        old.append(path)
        if not check:
            path.unlink()
    for page in old:
        sys.stdout.write(f"{'old' if check else 'written'}: {page.relative_to(ROOT)}\n")
    if not check:
        for figure in [*draw_all(), *draw_screens()]:
            sys.stdout.write(f"drawn: {figure.relative_to(ROOT)}\n")
    return int(check and bool(old))


if __name__ == "__main__":
    raise SystemExit(main())
