"""Process: memory, processor time and open files of this process, under the usual names."""

import contextlib
import os
from pathlib import Path

from polewright.adapters.metrics.exposition import Family, gauge

_SELF = Path("/proc/self")
# Fields of /proc/PID/stat after the name, counted as in proc(5): utime 14, stime 15, rss 24.
_AFTER_NAME = 3
_UTIME, _STIME, _RSS = 14 - _AFTER_NAME, 15 - _AFTER_NAME, 24 - _AFTER_NAME


def process_families(process: Path = _SELF) -> list[Family]:
    """Return what Linux says of a process; empty where it does not."""
    try:
        fields = (process / "stat").read_text("ascii").rpartition(")")[2].split()
    except (OSError, UnicodeDecodeError):
        return []
    ticks = os.sysconf("SC_CLK_TCK")
    cpu_s = (int(fields[_UTIME]) + int(fields[_STIME])) / ticks
    families = [
        Family(
            name="process_cpu_seconds_total", kind="counter",
            text="Processor time spent", samples=(({}, cpu_s),),
        ),
        gauge("process_resident_memory_bytes", "Memory held now",
              int(fields[_RSS]) * os.sysconf("SC_PAGE_SIZE")),
    ]  # fmt: skip
    with contextlib.suppress(OSError):
        families.append(
            gauge("process_open_fds", "Open files and sockets", len(os.listdir(process / "fd")))
        )
    return families
