"""Two hundred publishing mounts on one screen: how long it takes to know them and to draw them.

The mounts are those of the fleet benchmark: the real publisher and the real MQTT service, each
telling its state, its health and a survey once, and a correction twice a second.
"""

import asyncio
import contextlib
import io
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console

from polewright.app.fleet import fleet_now, follow_fleet
from polewright.cli.fleet_drawing import fleet_screen
from polewright.session.fleet import FleetView, fleet_figures
from polewright.settings.displays import MqttSettings
from polewright.settings.model import Settings
from tests.bench.fleet import PROCESSES, ended, speakers, started
from tests.system.mqtt_brokers import Mosquitto

_FOLLOWED_S = 10.0
_START_TIMEOUT_S = 120.0
# Once a second or twice: a display that takes a tenth of that is in nobody's way.
TARGET_DRAW_MS = 100.0
_WIDTH, _HEIGHT = 100, 500


async def measure(mounts: int, followed_s: float = _FOLLOWED_S) -> dict[str, Any]:
    """Return what a display of that many publishing mounts costs (ms, s)."""
    async with contextlib.AsyncExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        mosquitto = Mosquitto(directory)
        await mosquitto.start()
        stack.push_async_callback(mosquitto.stop)
        settings = Settings(mqtt=MqttSettings(mode="external", port=mosquitto.port))
        lifetime_s = _START_TIMEOUT_S + followed_s
        for number in range(PROCESSES):
            names = [f"m{n}" for n in range(number, mounts, PROCESSES)]
            await started(stack, *speakers("service", mosquitto.port, names, lifetime_s))
        view = FleetView()
        following = asyncio.create_task(follow_fleet(settings, view))
        stack.push_async_callback(ended, following)
        await asyncio.wait_for(_all_live(view, mounts), _START_TIMEOUT_S)
        begun_s = time.perf_counter()
        late = await fleet_now(settings)
        known_s = time.perf_counter() - begun_s
        cpu_ms, draw_ms, age_s = [], [], []
        busy_s, begun_s = time.process_time(), time.perf_counter()
        while time.perf_counter() - begun_s < followed_s:
            await asyncio.sleep(0.5)
            at_s, cpu_s = time.perf_counter(), time.thread_time()
            rows = view.rows()
            console = Console(file=io.StringIO(), width=_WIDTH, height=_HEIGHT, force_terminal=True)
            console.print(fleet_screen(rows, "", "bench", width=_WIDTH, height=_HEIGHT))
            draw_ms.append(1000.0 * (time.perf_counter() - at_s))
            cpu_ms.append(1000.0 * (time.thread_time() - cpu_s))
            age_s += [row.measured_age_s for row in rows if row.measured_age_s is not None]
        busy = (time.process_time() - busy_s) / (time.perf_counter() - begun_s)
    return {
        "mounts": len(view.rows()),
        "cores": os.cpu_count(),
        "known_at_once": len(late.rows()),
        "once_s": round(known_s, 2),
        "draw_cpu_ms_p50": round(float(np.median(cpu_ms)), 1),
        "draw_ms_p50": round(float(np.median(draw_ms)), 1),
        "draw_ms_max": round(max(draw_ms), 1),
        "age_s_p99": round(float(np.percentile(age_s, 99)), 2),
        "cpu_of_one_core": round(busy, 3),
        "message_bytes": len(repr(fleet_figures(view))),
    }


async def _all_live(view: FleetView, mounts: int) -> None:
    # Somebody who looks again and again would not be told, either.
    while sum(row.live for row in view.rows()) < mounts:  # noqa: ASYNC110
        await asyncio.sleep(0.2)


def line(found: dict[str, Any]) -> str:
    """Return the figures as a line."""
    return (
        f"  display of {found['mounts']}: all known in {found['once_s']} s, drawn in "
        f"{found['draw_ms_p50']} ms (max {found['draw_ms_max']}, "
        f"{found['draw_cpu_ms_p50']} of a core), "
        f"figures {found['age_s_p99']} s "
        f"old at p99, {found['cpu_of_one_core']:.0%} of a core"
    )


def missed(found: dict[str, Any]) -> list[str]:
    """Return what falls short of the target."""
    texts = []
    if found["draw_cpu_ms_p50"] >= TARGET_DRAW_MS:
        texts.append(f"a screen takes {found['draw_cpu_ms_p50']} ms, over {TARGET_DRAW_MS:.0f} ms")
    if found["known_at_once"] < found["mounts"]:
        texts.append(f"--once knew {found['known_at_once']} of {found['mounts']} mounts")
    return texts
