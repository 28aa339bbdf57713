"""History: what the benchmarks showed over time, one JSON object a line, and its plot.

``./run bench ... --keep`` adds a line and draws ``docs/images/bench-history.svg`` anew;
``./run bench ... --check`` fails where a ratio is worse than the newest kept one of the same kind
(quick or full), by its margin.
"""

import json
import platform
import subprocess
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench.ratios import RATIOS, got_worse

_ROOT = Path(__file__).parents[2]
FILE = _ROOT / "docs" / "bench-history.jsonl"
PLOT = _ROOT / "docs" / "images" / "bench-history.svg"


def read(file: Path = FILE) -> list[dict[str, Any]]:
    """Return all entries, oldest first."""
    if not file.exists():
        return []
    return [json.loads(line) for line in file.read_text("utf-8").splitlines() if line]


def newest(*, quick: bool, file: Path = FILE) -> dict[str, float]:
    """Return the newest kept value of every ratio, of quick or of full runs."""
    known: dict[str, float] = {}
    for entry in read(file):
        if entry["quick"] == quick:
            known |= entry["ratios"]
    return known


def check(ratios: Mapping[str, float], *, quick: bool, file: Path = FILE) -> list[str]:
    """Return what is worse than it was, in words."""
    return got_worse(ratios, newest(quick=quick, file=file))


def keep(ratios: Mapping[str, float], *, quick: bool, file: Path = FILE) -> None:
    """Add an entry."""
    entry = {
        "at": datetime.now(UTC).isoformat(timespec="minutes"),
        "commit": _commit(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "quick": quick,
        "ratios": dict(ratios),
    }
    with file.open("a", encoding="utf-8") as history:
        history.write(json.dumps(entry) + "\n")


def draw(file: Path = FILE, plot: Path = PLOT) -> None:
    """Draw every ratio against the first that was kept: up is worse."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "polewright"
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(8.0, 4.0), layout="constrained")
    entries = read(file)
    for ratio in RATIOS:
        for quick, style in ((False, "o-"), (True, "o:")):
            row = [
                (number, entry["ratios"][ratio.key])
                for number, entry in enumerate(entries)
                if entry["quick"] == quick and ratio.key in entry["ratios"]
            ]
            if not row:
                continue
            first = row[0][1]
            worse = [first / v if ratio.more_is_better else v / first for _, v in row]
            label = f"{ratio.key}{' (quick)' if quick else ''}: {row[-1][1]:.3g}"
            axes.plot([number for number, _ in row], worse, style, label=label)
    axes.axhline(1.0, color="0.7", linewidth=0.8)
    axes.set_xticks(range(len(entries)), [entry["commit"][:7] for entry in entries], rotation=60)
    axes.set_ylabel("against the first kept; up is worse")
    axes.legend(fontsize="x-small", loc="upper left", bbox_to_anchor=(1.0, 1.0))
    figure.savefig(plot, metadata={"Date": None})
    plt.close(figure)


def _commit() -> str:
    try:
        return subprocess.run(
            ["git", "-C", str(_ROOT), "rev-parse", "HEAD"],
            capture_output=True, text=True, check=True,
        ).stdout.strip()  # fmt: skip
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
