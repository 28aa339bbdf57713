"""The service in a process of its own, with a ticker on its loop that is switched on and off.

Lines on standard input: ``on`` starts a ticker, ``off`` ends it and prints what it saw, as JSON.
Ends with its input.
"""

import asyncio
import json
import sys
from pathlib import Path

from polewright.adapters.indi.quiet import divert_library_chatter
from polewright.app.memory import give_frames_back
from polewright.app.service import running_service
from polewright.settings.load import load_settings

TICK_S = 0.001


async def _tick(late_ms: list[float]) -> None:
    """Note for each tick by how much it came later than asked for."""
    loop = asyncio.get_running_loop()
    while True:
        due_s = loop.time() + TICK_S
        await asyncio.sleep(TICK_S)
        late_ms.append(1e3 * (loop.time() - due_s))


async def _run(config: Path) -> None:
    async with running_service(load_settings(config)) as service:
        await service.evening.ready.wait()
        print("ready", flush=True)
        ticking: asyncio.Task[None] | None = None
        late_ms: list[float] = []
        while line := await asyncio.to_thread(sys.stdin.readline):
            if line.strip() == "on":
                late_ms = []
                ticking = asyncio.create_task(_tick(late_ms))
            elif ticking is not None:
                ticking.cancel()
                ranked = sorted(late_ms)
                print(
                    json.dumps(
                        {
                            "ticks": len(ranked),
                            "p50_ms": ranked[len(ranked) // 2],
                            "p99_ms": ranked[int(len(ranked) * 0.99)],
                            "p999_ms": ranked[int(len(ranked) * 0.999)],
                            "longest_ms": ranked[-1],
                        }
                    ),
                    flush=True,
                )


if __name__ == "__main__":
    divert_library_chatter()
    give_frames_back()
    asyncio.run(_run(Path(sys.argv[1])))
