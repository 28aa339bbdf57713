"""Licences: under what terms each package that polewright runs with may be used and passed on."""

import re
from functools import cache
from importlib import metadata

from packaging.requirements import Requirement

from tests.docs.blocks import ROOT, table

PINS = ROOT / "configs" / "requirements.txt"

PERMISSIVE = frozenset(
    {
        "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BSD", "CC0-1.0", "ISC", "MIT",
        "MIT-0", "MIT-CMU", "PSF-2.0", "Zlib",
    }
)  # fmt: skip

# Those that ask for more than being named, each read by a person: what follows for polewright.
WITH_CONDITIONS = {
    "astrometry": ("GPL-3.0-only", "optional; copyleft, with polewright under GPL version 3"),
    "certifi": ("MPL-2.0", "copyleft by file; unchanged here"),
    "pathspec": ("MPL-2.0", "copyleft by file; only builds the package"),
    "pyindi-client": ("GPL-3.0-or-later", "copyleft, as polewright itself"),
    "pyongc": ("MIT AND CC-BY-SA-4.0", "its data: named, and passed on under the same terms"),
    "sep": ("LGPL-3.0-or-later", "weak copyleft; used as a library, unchanged"),
}

# Metadata that names no SPDX expression: what its own words mean.
_BY_WORDS = {
    "Apache 2.0": "Apache-2.0",
    "Apache Software License": "Apache-2.0",
    "BSD 3-Clause License": "BSD-3-Clause",
    "BSD License": "BSD",
    "GNU General Public License v3 or later (GPLv3+)": "GPL-3.0-or-later",
    "GNU Lesser General Public License v3 or later (LGPLv3+)": "LGPL-3.0-or-later",
    "ISC License (ISCL)": "ISC",
    "LGPLv3+": "LGPL-3.0-or-later",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
}
_SPDX = re.compile(r"^[A-Za-z0-9.\-+]+(?: (?:AND|OR) [A-Za-z0-9.\-+]+)*$")


def pinned() -> list[Requirement]:
    """Return the pins that hold for this system and interpreter, by name."""
    joined = PINS.read_text("utf-8").replace("\\\n", " ")
    lines = [line.split(" --hash")[0].strip() for line in joined.splitlines()]
    pins = [Requirement(line) for line in lines if line and not line.startswith("#")]
    return sorted(
        (pin for pin in pins if pin.marker is None or pin.marker.evaluate()), key=lambda p: p.name
    )


def _first(stated: metadata.PackageMetadata, name: str) -> str:
    return str((stated.get_all(name) or [""])[0])


@cache
def licence_of(name: str) -> str:
    """Return the licence that an installed package states, as SPDX writes it.

    ``unknown`` where it states none that is understood here.
    """
    try:
        stated = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return "unknown: not installed here"
    if expression := _first(stated, "License-Expression"):
        return expression
    kinds: list[str] = [
        kind.split(" :: ")[-1]
        for kind in stated.get_all("Classifier") or []
        if kind.startswith("License ::") and kind != "License :: OSI Approved"
    ]
    words = _first(stated, "License").strip()
    short = words if len(words.splitlines()) == 1 and len(words) < 60 else ""
    for text in (short, *kinds):
        if text in _BY_WORDS:
            return _BY_WORDS[text]
        if text in PERMISSIVE:
            return text
    if words.startswith("GNU GENERAL PUBLIC LICENSE") and "Version 3" in words[:120]:
        return "GPL-3.0-only"
    return short if _SPDX.match(short) else "unknown"


def is_permissive(expression: str) -> bool:
    """Return whether every part of an expression, or one to choose, asks only for being named."""
    return all(
        any(part.strip("() ") in PERMISSIVE for part in choice.split(" OR "))
        for choice in expression.split(" AND ")
    )


def licences() -> str:
    """Return every package with its licence."""
    rows = []
    for pin in pinned():
        licence, words = WITH_CONDITIONS.get(pin.name, (licence_of(pin.name), ""))
        rows.append((pin.name, licence, words))
    return table(("package", "licence", "what follows"), sorted(set(rows)))
