"""Asks a public database for known flaws of the pinned packages: ``./run audit``.

The asking is pip-audit's, fetched for the occasion and kept out of the environment.  What could
not be asked is told as such: a package that was not looked up has not been found clean.

Exit codes: 0 all were looked up and nothing is known; 1 flaws are known; 3 some could not be asked.
"""

import argparse
import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.docs.blocks import ROOT

# What finds the flaws may itself be no surprise; its own packages are not pinned.
PIP_AUDIT = "pip-audit==2.10.1"
LISTS = ("requirements.txt", "requirements-dev.txt", "requirements-uv.txt")
_TIMEOUT_S = 120.0
_MOST_SHOWN = 5


def told(packages: Sequence[Mapping[str, Any]], name: str) -> tuple[int, list[str]]:
    """Return the exit code and the words for one list's packages, as pip-audit gives them."""
    flawed = [package for package in packages if package.get("vulns")]
    skipped = [package["name"] for package in packages if "skip_reason" in package]
    asked = len(packages) - len(skipped)
    lines = []
    for package in flawed:
        for flaw in package["vulns"]:
            mended = ", ".join(flaw.get("fix_versions") or ()) or "no version yet"
            lines.append(
                f"{name}: {package['name']} {package['version']}: {flaw['id']}, mended in {mended}"
            )
    if skipped:
        some = ", ".join(skipped[:_MOST_SHOWN]) + (" ..." if len(skipped) > _MOST_SHOWN else "")
        lines.append(
            f"{name}: {len(skipped)} of {len(packages)} packages were NOT looked up ({some}): the "
            "database does not know them or is not reached from here. Nothing is said of them."
        )
    if asked:
        lines.append(f"{name}: {asked} packages looked up, {len(flawed)} with known flaws")
    if not packages:
        lines.append(f"{name}: no package was named")
    return (1 if flawed else 3 if skipped or not packages else 0), lines


def audit(uv: Path, name: str) -> tuple[int, list[str]]:
    """Ask for the packages of one list."""
    command = [
        str(uv), "tool", "run", "--quiet", "--from", PIP_AUDIT, "pip-audit", "--disable-pip",
        "--no-deps", "--require-hashes", "--progress-spinner", "off", "--format", "json",
        "--requirement", str(ROOT / "configs" / name),
    ]  # fmt: skip
    try:
        ended = subprocess.run(
            command, capture_output=True, text=True, timeout=_TIMEOUT_S, check=False
        )
        packages = json.loads(ended.stdout)["dependencies"]
    except (OSError, subprocess.TimeoutExpired) as trouble:
        return 3, [f"{name}: not looked up: {trouble}"]
    except (ValueError, KeyError):
        why = (ended.stderr.strip().splitlines() or ["it said nothing"])[-1]
        return 3, [f"{name}: not looked up; is there a network? ({why})"]
    return told(packages, name)


def main() -> int:
    """Ask for all lists."""
    parser = argparse.ArgumentParser(prog="run audit", description=__doc__)
    parser.add_argument("lists", nargs="*", default=LISTS, help="of configs/, else all three")
    code = 0
    for name in parser.parse_args().lists:
        found, lines = audit(Path(sys.prefix) / "tools" / "bin" / "uv", name)
        sys.stdout.write("\n".join(lines) + "\n")
        code = 1 if 1 in (code, found) else max(code, found)
    return code


if __name__ == "__main__":
    raise SystemExit(main())
