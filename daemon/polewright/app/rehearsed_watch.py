"""The watch of a rehearsed evening: imaging at a faster pace, and a leg of the tripod that sinks.

The person's imaging program takes frames with the simulated camera and hands them over as any
other does: a file in a folder, and its name over MQTT.
"""

import asyncio
import json
import math
import random
from collections.abc import Mapping, Sequence
from datetime import timedelta
from types import TracebackType
from typing import Any

import aiomqtt

from polewright.adapters.indi.camera import IndiCamera, decode_picture
from polewright.adapters.mqtt.topics import WATCH_FRAME, MountTopics
from polewright.app.rehearsal import read_truth
from polewright.app.rehearsed_person import CAMERA_DEVICE, HONEST_SIGMAS, Finding, Person
from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.imaging.frame import Frame

_PACE = 60.0
_FRAMES = 30
_FRAME_EVERY = timedelta(minutes=4)
_EXPOSURE_S = 20.0
# The bump comes between these frames, so that there is something before and after it.
_BUMP_AFTER = (8, 22)
_BUMP_ARCMIN = (1.5, 6.0)
_SEEN_TIMEOUT_S = 60.0
_NOTICED_WITHIN = 3


async def watch_two_hours(person: Person, chance: random.Random) -> list[Finding]:
    """Image for two hours while the watch goes on, and let a leg sink."""
    bump_after = chance.randint(*_BUMP_AFTER)
    lean_arcmin, toward_deg = chance.uniform(*_BUMP_ARCMIN), chance.uniform(0.0, 360.0)
    watching = asyncio.create_task(_watching(person))
    try:
        await _until_watching(person)
        async with _Imaging(person) as imaging:
            await person.run_at(_PACE)
            for number in range(1, _FRAMES + 1):
                person.tell(
                    f"imaging under watch: frame {number} of {_FRAMES}",
                    0.65 + 0.34 * number / _FRAMES,
                )
                if number == bump_after + 1:
                    before = await read_truth(person.bench)
                    await person.lean(lean_arcmin, toward_deg)
                    after = await read_truth(person.bench)
                await imaging.take(number)
                told = await _seen(person, number)
                if told["alarms"] and imaging.noticed_at is None:
                    imaging.noticed_at = number
                    person.tell("the watch raises an alarm", None)
        await person.run_at(1.0)
    finally:
        await person.command("keep_watch", end=True)
        await asyncio.gather(watching, return_exceptions=True)
    return [
        _noticed(imaging.noticed_at, bump_after, len(told["alarms"])),
        _size(told["alarms"], before, after),
    ]


async def _watching(person: Person) -> None:
    await person.command("keep_watch")


async def _until_watching(person: Person) -> None:
    async with asyncio.timeout(_SEEN_TIMEOUT_S):
        await person.until("watch", lambda told: bool(told["watching"]))


async def _seen(person: Person, frames: int) -> Mapping[str, Any]:
    """Return what the watch says once it has looked at so many frames."""
    async with asyncio.timeout(_SEEN_TIMEOUT_S):
        return await person.until(
            "watch", lambda told: told["frames"] + told["unsolved_frames"] >= frames
        )


class _Imaging:
    """An imaging program: takes frames, writes them into a folder, and names them when written."""

    def __init__(self, person: Person) -> None:
        self._person = person
        folder = person.settings.watch.folder
        if folder is None:
            raise AssertionError("the rehearsal hands frames over")
        self._folder = folder
        self._number = 0
        self._camera = IndiCamera(person.bench, CAMERA_DEVICE, decode=self._keep)
        self._next = person.now()
        self.noticed_at: int | None = None

    async def __aenter__(self) -> "_Imaging":
        """Ask for pictures, and connect to the broker."""
        self._person.bench.enable_blobs(CAMERA_DEVICE)
        self._topic = MountTopics.of(self._person.settings).full(WATCH_FRAME)
        port = self._person.port
        if port is None:
            raise AssertionError("the rehearsal has a broker of its own")
        self._broker = aiomqtt.Client("127.0.0.1", port)
        await self._broker.__aenter__()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        failure: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the broker."""
        await self._broker.__aexit__(kind, failure, trace)

    async def take(self, number: int) -> None:
        """Take the next frame, when its time has come."""
        clock = self._person.clock
        await clock.sleep((self._next - clock.now()).total_seconds())
        self._next = clock.now() + _FRAME_EVERY
        self._number = number
        await self._camera.expose(_EXPOSURE_S)
        await self._broker.publish(self._topic, json.dumps({"v": 1, "file": self._name()}))

    def _name(self) -> str:
        return f"frame-{self._number:03d}.fits"

    def _keep(self, data: bytes, name: str) -> Frame:
        draft = self._folder / "draft"
        draft.write_bytes(data)
        draft.replace(self._folder / self._name())
        return decode_picture(data, name)


def _noticed(noticed_at: int | None, bump_after: int, alarms: int) -> Finding:
    """Return whether the one bump was noticed in time, and nothing else."""
    if noticed_at is None:
        return Finding(name="watch", words="the bump was not noticed", held=False)
    late = noticed_at - bump_after
    return Finding(
        name="watch",
        words=f"a leg sank after frame {bump_after} of {_FRAMES}; noticed at frame {noticed_at}; "
        f"{alarms} alarm{'s' * (alarms != 1)} in two hours",
        held=0 < late <= _NOTICED_WITHIN and alarms == 1,
    )


def _size(
    alarms: Sequence[Mapping[str, Any]], before: Mapping[str, float], after: Mapping[str, float]
) -> Finding:
    """Return whether the bump is told as it was, within its sigmas."""
    up = 60.0 * (after["TRUE_AXIS_ALT_DEG"] - before["TRUE_AXIS_ALT_DEG"])
    # In the north the axis stands about azimuth 0.
    side = 60.0 * wrap_half_turn_deg(after["TRUE_AXIS_AZ_DEG"] - before["TRUE_AXIS_AZ_DEG"])
    side *= math.cos(math.radians(before["TRUE_AXIS_ALT_DEG"]))
    true = f"truth: {up:+.1f} up, {side:+.1f} toward greater azimuth (arcmin)"
    if not alarms:
        return Finding(name="size of the bump", words=true, held=False)
    told, words, held = alarms[0], [], True
    for name, is_true, way in (
        ("altitude_move", up, "up"), ("azimuth_move_on_sky", side, "sideways"),
    ):  # fmt: skip
        value, sigma = told[f"{name}_arcmin"], told[f"{name}_sigma_arcmin"]
        words.append(f"{value:+.1f} +- {sigma:.1f} {way}")
        held = held and abs(value - is_true) < HONEST_SIGMAS * sigma
    return Finding(name="size of the bump", words=f"{', '.join(words)}; {true}", held=held)
