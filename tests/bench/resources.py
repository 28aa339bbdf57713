"""Resources: memory, idle CPU and event-loop stalls of the whole service, live, per camera size.

The reference of the memory, in the same run, is a bare interpreter that has imported the libraries
that the service cannot do without.  Memory is the proportional set size (PSS) of all processes of
the service together: pages that several of them map, and index files in the page cache, count
once.  The simulator and the broker are not the service's: the broker here is embedded, so it is
counted, and the simulator is not.
"""

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from polewright.adapters.mqtt.client import send_command
from polewright.core.errors import PolewrightError
from polewright.settings.load import load_settings
from tests.bench import frame_paths
from tests.system.indi_servers import free_port

BARE_IMPORTS = "import aiohttp, aiomqtt, astropy.io.fits, erfa, numpy, PIL.Image, PyIndi, pydantic"
AIM_STALL_P99_MS = 20.0
AIM_IDLE_PERCENT = 2.0
READY_S = 120.0
# The simulator draws 61 megapixels in half a minute, on a computer under load.
SURVEY_S = 600.0
_SAMPLE_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """A camera behind a telescope, and how much memory the service may take with it.

    ``aim_mb`` None: no aim was set; the figures are told all the same.
    """

    name: str
    width_px: int
    height_px: int
    focal_length_mm: float
    aim_mb: float | None


TRAINS = (
    Train(name="1.2 MP", width_px=1280, height_px=960, focal_length_mm=120.0, aim_mb=200.0),
    Train(name="24 MP", width_px=6000, height_px=4000, focal_length_mm=240.0, aim_mb=400.0),
    Train(name="61 MP", width_px=9576, height_px=6388, focal_length_mm=300.0, aim_mb=None),
)


def run(*, quick: bool = False) -> dict[str, Any]:
    """Measure, print, and return the figures."""
    figures: dict[str, Any] = {"bare_mb": bare_mb()}
    missed: list[str] = []
    print(f"bare imports: {figures['bare_mb']:.0f} MB")
    for train in TRAINS:
        one = measure(train, live_s=10.0 if quick else 30.0, idle_s=15.0 if quick else 60.0)
        figures[train.name] = one
        stall = one["stall"]
        print(
            f"{train.name}: survey in {one['survey_s']:.0f} s; live"
            f" {one['live_mb']:.0f} MB (peak {one['peak_mb']:.0f}), idle"
            f" {one['idle_mb']:.0f} MB and {one['idle_percent']:.2f} % of a core; loop late by"
            f" p50 {stall['p50_ms']:.2f}, p99 {stall['p99_ms']:.1f}, longest"
            f" {stall['longest_ms']:.0f} ms in {stall['ticks']} ticks"
        )
        if train.aim_mb is not None and one["live_mb"] > train.aim_mb:
            missed.append(f"{train.name}: {one['live_mb']:.0f} MB, aim {train.aim_mb:.0f}")
        if one["idle_percent"] > AIM_IDLE_PERCENT:
            missed.append(f"{train.name}: idle {one['idle_percent']:.1f} %")
        if stall["p99_ms"] > AIM_STALL_P99_MS:
            missed.append(f"{train.name}: p99 {stall['p99_ms']:.1f} ms, aim {AIM_STALL_P99_MS:.0f}")
    figures["frame_paths"] = frame_paths.compare(quick=quick)
    for name, path in figures["frame_paths"].items():
        if path["ratio"] > frame_paths.AIM_RATIO:
            missed.append(f"{name}: relay ratio {path['ratio']:.2f}")
    figures["missed"] = missed
    return figures


def bare_mb() -> float:
    """Return the memory of an interpreter with the libraries alone."""
    with subprocess.Popen(
        [sys.executable, "-c", f"{BARE_IMPORTS}; print(flush=True); input()"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        process.stdout.readline()
        try:
            return sum(map(_pss_mb, _tree(process.pid)))
        finally:
            process.kill()


def measure(train: Train, *, live_s: float, idle_s: float) -> dict[str, Any]:
    """Run the service with a simulated train: survey, live mode, then rest."""
    with (
        tempfile.TemporaryDirectory() as folder,
        simulator(Path(folder), train) as indi_port,
        service(Path(folder), indi_port) as (process, config),
    ):
        memory = _Memory(process.pid)
        command = asyncio.run
        settings = load_settings(config)
        try:
            ready_mb = memory.now_mb()
            command(send_command(settings, "confirm_clear"))
            begun_s = time.monotonic()
            command(send_command(settings, "survey", timeout_s=SURVEY_S))
            survey_s = time.monotonic() - begun_s
            survey_mb = memory.now_mb()
            _say(process, "on")
            command(_adjust(settings, live_s))
            live_mb = memory.now_mb()
            stall = _ask(process, "off")
            begun_s, before_s = time.monotonic(), _cpu_s(process.pid)
            time.sleep(idle_s)
            percent = 100.0 * (_cpu_s(process.pid) - before_s) / (time.monotonic() - begun_s)
            idle_mb = memory.now_mb()
        finally:
            memory.end()
    return {
        "ready_mb": ready_mb,
        "survey_mb": survey_mb,
        "survey_s": survey_s,
        "live_mb": max(live_mb, memory.usual_mb),
        "peak_mb": memory.peak_mb,
        "idle_mb": idle_mb,
        "idle_percent": percent,
        "stall": stall,
    }


async def _adjust(settings: Any, duration_s: float) -> None:
    """Adjust for a while, then stop."""
    adjusting = asyncio.create_task(send_command(settings, "adjust", timeout_s=READY_S))
    await asyncio.sleep(duration_s)
    await send_command(settings, "stop")
    with contextlib.suppress(PolewrightError):
        await adjusting


class _Memory(threading.Thread):
    """Samples the memory of a process and its children."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self._pid = pid
        self._ended = threading.Event()
        self._samples: list[float] = []
        self.start()

    def now_mb(self) -> float:
        return sum(map(_pss_mb, _tree(self._pid)))

    @property
    def peak_mb(self) -> float:
        return max(self._samples)

    @property
    def usual_mb(self) -> float:
        """The median of the upper half of the samples: frames are being worked on."""
        ranked = sorted(self._samples)
        return ranked[3 * len(ranked) // 4]

    def run(self) -> None:
        while not self._ended.wait(_SAMPLE_S):
            self._samples.append(self.now_mb())

    def end(self) -> None:
        self._ended.set()
        self.join()


def _tree(pid: int) -> list[int]:
    """Return a process and all below it."""
    found = [pid]
    for one in found:
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{one}/task").iterdir():
                found += map(int, (task / "children").read_text().split())
    return found


def _pss_mb(pid: int) -> float:
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) / 1024.0
    return 0.0


def _cpu_s(pid: int) -> float:
    total = 0.0
    for one in _tree(pid):
        with contextlib.suppress(OSError):
            fields = Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()
            total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


@contextmanager
def simulator(folder: Path, train: Train) -> Iterator[int]:
    """Run the simulated sky with a train; yields its port."""
    sky = folder / "sky.toml"
    sky.write_text(
        f"seed = 11\n[camera]\nwidth_px = {train.width_px}\nheight_px = {train.height_px}\n"
        f"focal_length_mm = {train.focal_length_mm}\n"
        f"told_focal_length_mm = {train.focal_length_mm}\n"
    )
    with subprocess.Popen(
        [sys.executable, "-m", "polewright_drivers.sky_simulator.driver", "--port", "0",
         "--sky", str(sky), "--site", "south"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        try:
            assert process.stdout is not None
            yield int(process.stdout.readline().rsplit(":", 1)[1])
        finally:
            process.terminate()


@contextmanager
def service(folder: Path, indi_port: int) -> Iterator[tuple["subprocess.Popen[str]", Path]]:
    """Run the service until it has its devices; yields it and its settings."""
    config = folder / "polewright.toml"
    config.write_text(
        "[site]\nclock = 'gps'\n[mount]\nslug = 'kudu'\ndevice = 'Kudu'\n"
        "[camera]\ndevice = 'Hoopoe'\nexposure_s = 0.5\n"
        f"[indi]\nport = {indi_port}\n[mqtt]\nmode = 'embedded'\nport = {free_port()}\n"
        f"[survey]\nframes = 3\nsweep_deg = 45.0\nsettle_s = 0.2\n"
        f"[journal]\ndirectory = '{folder}'\n[page]\nport = {free_port()}\n"
    )
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.probed_service", str(config)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        try:
            if process.stdout.readline().strip() != "ready":
                raise RuntimeError("the service did not become ready")
            yield process, config
        finally:
            assert process.stdin is not None
            process.stdin.close()
            try:
                process.wait(20.0)
            except subprocess.TimeoutExpired:
                process.kill()


def _say(process: "subprocess.Popen[str]", word: str) -> None:
    assert process.stdin is not None
    process.stdin.write(word + "\n")
    process.stdin.flush()


def _ask(process: "subprocess.Popen[str]", word: str) -> dict[str, float]:
    _say(process, word)
    assert process.stdout is not None
    return dict(json.loads(process.stdout.readline()))
