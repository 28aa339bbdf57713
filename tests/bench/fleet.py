"""Many mounts on one mosquitto: how late a display sees what two hundred services publish.

Each mount is the real publisher and the real MQTT service, corrections at 2 Hz with their bare
scalars, in a few processes; one display listens to all corrections, and ``mosquitto_sub`` to all
scalars.  In the same run, with the same processes and the same number of messages and bytes, a bare
aiomqtt client per mount is the reference.
"""

import asyncio
import contextlib
import importlib
import itertools
import json
import logging
import os
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np

from polewright.adapters.mqtt.payloads import scalars_of
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.settings.devices import MountSettings
from polewright.settings.displays import MqttSettings
from polewright.settings.model import Settings
from tests.system.mqtt_brokers import Mosquitto

MOUNTS = 200
PERIOD_S = 0.5
PROCESSES = 4
TARGET_P99_MS = 100.0

_MEASURED_S = 20.0
_START_TIMEOUT_S = 120.0
_SETTLE_S = 2.0
# Two hundred connections at one instant are no evening; they come one after the other.
_BETWEEN_STARTS_S = 0.02

_CORRECTION: dict[str, Any] = {
    "altitude_error_sigma_arcmin": 0.1021,
    "azimuth_error_arcmin": -7.5132,
    "azimuth_error_sigma_arcmin": 0.1002,
    "azimuth_error_on_sky_arcmin": -6.3311,
    "total_error_arcmin": 7.0912,
    "total_error_sigma_arcmin": 0.1032,
    "altitude_words": "lower the axis 3.2 arcmin",
    "azimuth_words": "turn the mount head 7.5 arcmin toward the east (clockwise seen from above)",
    "altitude_turns": None,
    "azimuth_turns": 0.1,
    "closeness": 42.0,
    "verdict": "not_yet",
    "live": True,
    "frame_age_s": 0.2,
    "latency_ms": 31.0,
}


@dataclass
class Display:
    """Listens to every correction and notes how late it came (ms), after it is told to begin."""

    late_ms: list[float] = field(default_factory=list)
    seen: set[tuple[str, int]] = field(default_factory=set)
    mounts: set[str] = field(default_factory=set)
    begun: bool = False
    complete: asyncio.Event = field(default_factory=asyncio.Event)

    async def look(self, port: int, ready: asyncio.Event, mounts: int) -> None:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            await client.subscribe("polewright/+/correction")
            ready.set()
            async for message in client.messages:
                now_s = time.time()
                if not message.payload:
                    continue
                mount = str(message.topic).split("/")[1]
                told = json.loads(bytes(message.payload))
                self.mounts.add(mount)
                if len(self.mounts) == mounts:
                    self.complete.set()
                if self.begun and not message.retain:
                    at_s = datetime.fromisoformat(told["at"]).timestamp()
                    self.late_ms.append(1000.0 * (now_s - at_s))
                    self.seen.add((mount, told["sequence"]))


def run(*, quick: bool = False) -> dict[str, Any]:
    """Measure both, print both, and say where the target is missed."""
    mounts = 40 if quick else MOUNTS
    measured_s = 5.0 if quick else _MEASURED_S
    figures: dict[str, Any] = {"mounts": mounts, "period_s": PERIOD_S, "cores": os.cpu_count()}
    for kind in ("bare", "service"):
        figures[kind] = asyncio.run(measure(kind, mounts, measured_s))
        print(_line(kind, figures[kind]), flush=True)
    ratio = figures["service"]["p99_ms"] / figures["bare"]["p99_ms"]
    figures["p99_over_bare"] = round(ratio, 2)
    print(f"  p99 over the bare client's: {ratio:.2f}")
    drawing = importlib.import_module("tests.bench.fleet_drawing")
    figures["drawing"] = asyncio.run(drawing.measure(mounts, 5.0 if quick else 10.0))
    print(drawing.line(figures["drawing"]), flush=True)
    figures["missed"] = missed(figures["service"]) + drawing.missed(figures["drawing"])
    return figures


def missed(service: dict[str, Any]) -> list[str]:
    """Return what falls short of the target."""
    texts = []
    if service["p99_ms"] >= TARGET_P99_MS:
        texts.append(f"p99 {service['p99_ms']:.0f} ms, wanted under {TARGET_P99_MS:.0f} ms")
    if service["arrived_of_expected"] < 0.99:
        texts.append(f"only {service['arrived_of_expected']:.1%} of the corrections came")
    return texts


async def measure(kind: str, mounts: int, measured_s: float) -> dict[str, Any]:
    """Return how late corrections of that many mounts came (ms)."""
    async with contextlib.AsyncExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        mosquitto = Mosquitto(directory)
        await mosquitto.start()
        stack.push_async_callback(mosquitto.stop)
        display, ready = Display(), asyncio.Event()
        looking = asyncio.create_task(display.look(mosquitto.port, ready, mounts))
        stack.push_async_callback(ended, looking)
        await ready.wait()
        scalars = stack.enter_context((directory / "scalars").open("w+b"))
        topic = "polewright/+/correction/+"
        listen = ("mosquitto_sub", "-p", str(mosquitto.port), "-t", topic, "-F", "x")
        await started(stack, *listen, stdout=scalars)
        # A process ends by itself, also where this one is killed.
        lifetime_s = _START_TIMEOUT_S + measured_s
        for number in range(PROCESSES):
            names = [f"m{n}" for n in range(number, mounts, PROCESSES)]
            await started(stack, *speakers(kind, mosquitto.port, names, lifetime_s))
        await asyncio.wait_for(display.complete.wait(), _START_TIMEOUT_S)
        await asyncio.sleep(_SETTLE_S)
        display.begun, before = True, _size(scalars)
        await asyncio.sleep(measured_s)
        display.begun, after = False, _size(scalars)
    late_ms = np.array(display.late_ms)
    expected = mounts * measured_s / PERIOD_S
    return {
        "corrections": len(late_ms),
        "arrived_of_expected": round(len(display.seen) / expected, 4),
        # Each is an x and an end of line.
        "scalars_per_s": round((after - before) / 2.0 / measured_s),
        **{
            f"p{share:g}_ms": round(float(np.percentile(late_ms, share)), 2)
            for share in (50, 90, 99, 99.9)
        },
        "max_ms": round(float(late_ms.max()), 1),
    }


def speakers(kind: str, port: int, mounts: list[str], lifetime_s: float) -> tuple[str, ...]:
    """Return the command of a process that publishes as these mounts."""
    module = (sys.executable, "-m", "tests.bench.fleet")
    return (*module, kind, str(port), ",".join(mounts), str(lifetime_s))


async def started(stack: contextlib.AsyncExitStack, *command: str, stdout: Any = None) -> None:
    """Start a process that ends with the stack."""
    process = await asyncio.create_subprocess_exec(*command, stdout=stdout)

    async def end() -> None:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        await process.wait()

    stack.push_async_callback(end)


async def ended(task: asyncio.Task[None]) -> None:
    """Cancel a task and wait until it has ended."""
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def _size(file: Any) -> int:
    return os.fstat(file.fileno()).st_size


def _line(kind: str, found: dict[str, Any]) -> str:
    name = {"bare": "bare aiomqtt clients", "service": "polewright services"}[kind]
    return (
        f"  {name:22s} {found['corrections']} corrections ({found['arrived_of_expected']:.1%}), "
        f"{found['scalars_per_s']} scalars/s, p50 {found['p50_ms']:.1f}, "
        f"p99 {found['p99_ms']:.1f}, max {found['max_ms']:.0f} ms"
    )


async def _speak_as_service(port: int, mount: str) -> None:
    settings = Settings(
        mount=MountSettings(slug=mount), mqtt=MqttSettings(mode="external", port=port)
    )
    publisher = MqttPublisher(MountTopics.of(settings))

    async def obey(verb: str, arguments: dict[str, Any], reply: Any) -> dict[str, Any]:
        return {}

    service = MqttService(settings, publisher, obey)
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(service.run())
        await service.wait_connected(_START_TIMEOUT_S)
        state = {"state": "adjusting", "since": datetime.now(UTC), "step": "turn the bolts"}
        publisher.publish("state", state, retain=True)
        async for sequence in _beats():
            publisher.publish("correction", _correction(sequence), retain=True)


async def _speak_barely(port: int, mount: str) -> None:
    base = f"polewright/{mount}"
    async with aiomqtt.Client("127.0.0.1", port, identifier=f"bare-{mount}") as client:
        async for sequence in _beats():
            at = datetime.now(UTC).isoformat(timespec="milliseconds")
            message = {"v": 1, "at": at} | _correction(sequence)
            await client.publish(f"{base}/correction", json.dumps(message), qos=0, retain=True)
            for topic, text in scalars_of(message).items():
                await client.publish(f"{base}/{topic}", text, qos=0, retain=True)


async def _beats() -> AsyncIterator[int]:
    """Yield 1, 2, 3 at the period, however long the work in between takes."""
    loop = asyncio.get_running_loop()
    start_s = loop.time()
    for sequence in itertools.count(1):
        await asyncio.sleep(start_s + sequence * PERIOD_S - loop.time())
        yield sequence


def _correction(sequence: int) -> dict[str, Any]:
    return _CORRECTION | {"sequence": sequence, "altitude_error_arcmin": sequence / 100.0}


async def _speak_all(kind: str, port: int, mounts: list[str], lifetime_s: float) -> None:
    speak = {"bare": _speak_barely, "service": _speak_as_service}[kind]
    try:
        async with asyncio.timeout(lifetime_s), asyncio.TaskGroup() as tasks:
            for mount in mounts:
                tasks.create_task(speak(port, mount))
                await asyncio.sleep(_BETWEEN_STARTS_S)
    except TimeoutError:
        return


if __name__ == "__main__":
    logging.basicConfig(level=logging.ERROR)
    kind, port, names, lifetime_s = sys.argv[1:]
    asyncio.run(_speak_all(kind, int(port), names.split(","), float(lifetime_s)))
