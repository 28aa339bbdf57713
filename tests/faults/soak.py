"""``./run soak``: hours of surveys, live adjustment and watch, in compressed time.

The service, the simulated sky and everything that waits run ``FACTOR`` times faster than the
computer's clock; memory, descriptors and threads of the service are looked at all along.  Memory
is what it holds without files (RssAnon of /proc/PID/status).  Private pages would not do: those
that it shares with the process it was forked from become its own one by one, as they are touched.
"""

import argparse
import asyncio
import json
import math
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.faults.breaking import until
from tests.faults.nursery import nursery
from tests.faults.person import Person
from tests.faults.record import Record
from tests.faults.schedule import schedule
from tests.faults.stack import Stack, running_stack

FACTOR = 30.0
# Parts of one round, by the host's clock (s).
ADJUST_S, WATCH_S, OFFSETS_EVERY_S = 12.0, 6.0, 0.1
_LOOK_S = 0.5
# The first rounds fill caches (simulated h), a tenth of it at most.
_WARM_H = 0.5
# Growth under this is none: pages come and go (MB per simulated hour).
FLAT_MB_H = 1.0
_READY_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """What the service held at one moment; ``h``: simulated hours since it was ready."""

    h: float
    memory_mb: float
    descriptors: int
    threads: int


def main() -> int:
    """Soak, print the figures, and return 1 where anything grew or failed."""
    parser = argparse.ArgumentParser(prog="./run soak", description=(__doc__ or "").split(".")[0])
    parser.add_argument("--hours", type=float, default=8.0, help="simulated hours (8)")
    parser.add_argument("--factor", type=float, default=FACTOR, help="how much faster (30)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, signal.default_int_handler)

    def tell(text: str) -> None:
        sys.stderr.write(f"{text}\n")

    figures = run_soak(options.hours, factor=options.factor, tell=tell)
    if options.json:
        print(json.dumps(figures))
    else:
        print("\n".join(words_of(figures)))
    return 1 if figures["wrong"] else 0


def run_soak(
    hours: float, *, factor: float = FACTOR, tell: Callable[[str], None] = lambda _text: None
) -> dict[str, Any]:
    """Run for so many simulated hours; return the figures and what was wrong."""
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = Path(name)
        (folder / "journal").mkdir()
        home = folder / "stack"
        home.mkdir()
        with nursery(folder) as door:
            return asyncio.run(_soak(home, door, folder / "journal", hours, factor, tell))


async def _soak(
    home: Path,
    door: Path,
    journal: Path,
    hours: float,
    factor: float,
    tell: Callable[[str], None],
) -> dict[str, Any]:
    record, samples = Record(), list[Sample]()
    async with running_stack(
        home, door, journal, seed=3, site="south", off_arcmin=(6.0, -8.0), time_factor=factor
    ) as stack:
        hands = [place for seed in range(50) for place in schedule(seed).hands_arcmin]
        person = Person(record, stack.broker.port, stack.world, hands)
        looking = asyncio.create_task(person.look())
        service = stack.start_service(factor=factor)
        try:
            async with asyncio.timeout(_READY_S):
                await _ready(record)
            began_s = time.monotonic()
            rounds = asyncio.create_task(_rounds(record, person, tell))
            while (h := (time.monotonic() - began_s) * factor / 3600.0) < hours:
                samples.append(_sample(stack, h))
                if rounds.done():
                    rounds.result()
                await asyncio.sleep(_LOOK_S)
            rounds.cancel()
            await asyncio.gather(rounds, return_exceptions=True)
            asked_s = time.monotonic()
            service.send(signal.SIGTERM)
            code = await asyncio.wait_for(service.ended(), 15.0)
            end_s = time.monotonic() - asked_s
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)
        log = stack.log.read_text(errors="replace")
    return _figures(record, samples, log, code, end_s, hours, factor)


async def _ready(record: Record) -> None:
    await until(lambda: (record.last("state") or {}).get("step") == "ready", look_s=0.1)


async def _rounds(record: Record, person: Person, tell: Callable[[str], None]) -> None:
    """Survey, adjust, keep watch, and again."""
    number = 0
    while True:
        number += 1
        await person.ask("confirm_clear")
        survey = await person.ask("survey")
        if survey.code:
            tell(f"round {number}: no survey ({survey.code})")
            await asyncio.sleep(0.5)
            continue
        adjusting = asyncio.create_task(person.ask("adjust"))
        await asyncio.sleep(ADJUST_S)
        await person.ask("stop")
        await adjusting
        watching = asyncio.create_task(person.ask("keep_watch"))
        end_s = time.monotonic() + WATCH_S
        drift = 0.0
        while time.monotonic() < end_s:
            drift += 0.01
            await person.say("watch/guide", {"declination_arcsec": round(drift, 3)})
            await asyncio.sleep(OFFSETS_EVERY_S)
        await person.ask("keep_watch", end=True)
        await watching
        told = sum(one.topic == "correction" for one in record.told)
        # What was told is counted, and need not be remembered.
        tell(f"round {number}: {told} corrections so far")


def _sample(stack: Stack, h: float) -> Sample:
    assert stack.service is not None
    folder = Path(f"/proc/{stack.service.pid}")
    anonymous_kb = 0
    with suppress(OSError):
        for line in (folder / "status").read_text().splitlines():
            if line.startswith("RssAnon:"):
                anonymous_kb = int(line.split()[1])
    return Sample(
        h=h,
        memory_mb=anonymous_kb / 1024.0,
        descriptors=len(os.listdir(folder / "fd")),
        threads=len(os.listdir(folder / "task")),
    )


def slope(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the least-squares slope and its standard error.

    The error is from the scatter about the line (ordinary least squares, e.g. Press et al.,
    Numerical Recipes, 15.2); infinite under three points.
    """
    n = len(points)
    if n < 3:
        return math.nan, math.inf
    mean_x = sum(x for x, _ in points) / n
    mean_y = sum(y for _, y in points) / n
    sxx = sum((x - mean_x) ** 2 for x, _ in points)
    b = sum((x - mean_x) * (y - mean_y) for x, y in points) / sxx
    left = sum((y - mean_y - b * (x - mean_x)) ** 2 for x, y in points)
    return b, math.sqrt(left / (n - 2) / sxx)


def block_means(
    samples: Sequence[Sample], value: Callable[[Sample], float], block_h: float
) -> list[tuple[float, float]]:
    """Return means over blocks of time: samples within a round are not independent."""
    blocks: dict[int, list[Sample]] = {}
    for one in samples:
        blocks.setdefault(int(one.h / block_h), []).append(one)
    return [
        (sum(one.h for one in block) / len(block), sum(map(value, block)) / len(block))
        for _, block in sorted(blocks.items())
    ]


def _figures(
    record: Record,
    samples: Sequence[Sample],
    log: str,
    code: int,
    end_s: float,
    hours: float,
    factor: float,
) -> dict[str, Any]:
    warm = [one for one in samples if one.h > min(_WARM_H, 0.3 * hours)]
    block_h = (ADJUST_S + WATCH_S + 4.0) * factor / 3600.0
    memory, memory_error = slope(block_means(warm, lambda one: one.memory_mb, block_h))
    descriptors, descriptors_error = slope(
        block_means(warm, lambda one: float(one.descriptors), block_h)
    )
    surveys = [one for one in record.asked if one.verb == "survey"]
    kept = sum(not one.code for one in surveys)
    corrections = sum(one.topic == "correction" and one.payload["live"] for one in record.told)
    wrong = list(record.problems[:5])
    if memory - 2.0 * memory_error > FLAT_MB_H:
        wrong.append(f"memory grows: {memory:.2f} +- {memory_error:.2f} MB per hour")
    most = [max(one.descriptors for one in half) for half in _halves(warm)]
    if most[1] > most[0] + 4:
        wrong.append(f"descriptors grow: {most[0]} at most, then {most[1]}")
    threads = [max(one.threads for one in half) for half in _halves(warm)]
    if threads[1] > threads[0] + 2:
        wrong.append(f"threads grow: {threads[0]} at most, then {threads[1]}")
    if code != 0 or end_s > 5.0:
        wrong.append(f"the end took {end_s:.1f} s, with code {code}")
    if "Traceback" in log:
        wrong.append("a traceback in the log")
    if kept == 0 or corrections == 0:
        wrong.append(f"{kept} surveys and {corrections} corrections: nothing was soaked")
    return {
        "hours": hours, "factor": factor, "surveys": kept, "surveys_failed": len(surveys) - kept,
        "corrections": corrections, "samples": len(samples),
        "memory_mb": [round(warm[0].memory_mb, 1), round(warm[-1].memory_mb, 1)],
        "memory_peak_mb": round(max(one.memory_mb for one in samples), 1),
        "memory_mb_per_h": round(memory, 3), "memory_mb_per_h_sigma": round(memory_error, 3),
        "descriptors": most, "descriptors_per_h": round(descriptors, 3),
        "descriptors_per_h_sigma": round(descriptors_error, 3), "threads": threads,
        "end_s": round(end_s, 2), "wrong": wrong,
    }  # fmt: skip


def _halves(samples: Sequence[Sample]) -> tuple[Sequence[Sample], Sequence[Sample]]:
    middle = len(samples) // 2
    return samples[:middle], samples[middle:]


def words_of(figures: dict[str, Any]) -> list[str]:
    """Write the figures for people."""
    first, last = figures["memory_mb"]
    return [
        f"{figures['hours']:g} simulated hours, {figures['factor']:g} times as fast: "
        f"{figures['surveys']} surveys ({figures['surveys_failed']} failed), "
        f"{figures['corrections']} corrections",
        f"memory {first:.0f} -> {last:.0f} MB, peak {figures['memory_peak_mb']:.0f}; "
        f"slope {figures['memory_mb_per_h']:+.2f} +- {figures['memory_mb_per_h_sigma']:.2f} MB "
        "per simulated hour",
        f"descriptors at most {figures['descriptors'][0]}, then {figures['descriptors'][1]}; "
        f"threads {figures['threads'][0]}, then {figures['threads'][1]}; "
        f"ended in {figures['end_s']:.1f} s",
        *(f"WRONG {text}" for text in figures["wrong"]),
    ]


if __name__ == "__main__":
    sys.exit(main())
