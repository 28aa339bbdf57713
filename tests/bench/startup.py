"""Start-up: from the process's start until camera and mount are in use, per optical train's cache.

The reference, in the same run, is a bare interpreter that imports the libraries that the service
cannot do without.  The star patterns of the camera are built once per optical train; that first
start is told apart.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.bench import resources

AIM_RATIO = 6.0
_RUNS = 7
_QUICK_RUNS = 3


def run(*, quick: bool = False) -> dict[str, Any]:
    """Measure, print, and return the figures."""
    runs = _QUICK_RUNS if quick else _RUNS
    with (
        tempfile.TemporaryDirectory() as folder,
        resources.simulator(Path(folder), resources.TRAINS[0]) as indi_port,
    ):
        first_s = _ready_s(Path(folder), indi_port)
        ready = [_ready_s(Path(folder), indi_port) for _ in range(runs)]
        reference = [_reference_s() for _ in range(runs)]
    figures: dict[str, Any] = {
        "first_s": first_s,
        "ready_s": statistics.median(ready),
        "reference_s": statistics.median(reference),
    }
    figures["ratio"] = figures["ready_s"] / figures["reference_s"]
    print(
        f"ready after {figures['ready_s']:.2f} s (median of {runs}; the first {first_s:.2f} s); "
        f"bare imports {figures['reference_s']:.2f} s; ratio {figures['ratio']:.1f}"
    )
    late = figures["ratio"] > AIM_RATIO
    figures["missed"] = [f"ratio {figures['ratio']:.1f}, aim {AIM_RATIO:g}"] if late else []
    return figures


def _ready_s(folder: Path, indi_port: int) -> float:
    begun_s = time.monotonic()
    with resources.service(folder, indi_port):
        return time.monotonic() - begun_s


def _reference_s() -> float:
    begun_s = time.monotonic()
    subprocess.run([sys.executable, "-c", resources.BARE_IMPORTS], check=True)
    return time.monotonic() - begun_s
