"""The eyes of a rehearsal: on the display all the time, and sure what is newer than a turn."""

import asyncio
import math
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from polewright.adapters.mqtt.client import watch_topics
from polewright.settings.model import Settings

# Half of an exposure, and what a message may be late by (s): frames whose middle is no later than
# this after the hands came to rest may show them moving.
_REST_S = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A live correction and when it came, by this process's clock (s)."""

    message: Mapping[str, Any]
    received_s: float

    @property
    def mid_exposure_s(self) -> float:
        """The middle of its frame; too late by what the message took."""
        return self.received_s - float(self.message["frame_age_s"] or 0.0)


class StillHands:
    """Which looks show the bolts as the hands left them.

    Parameters
    ----------
    frames : int
        So many frames that were exposed after the hands came to rest must have been seen.
    """

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._rest_s = -math.inf
        self._seen = frames

    def rest(self) -> None:
        """Say that the hands came to rest just now."""
        self._rest_s = asyncio.get_running_loop().time()
        self._seen = 0

    def seen_by(self, look: Look) -> bool:
        """Return whether this look may be turned by."""
        self._seen += look.mid_exposure_s > self._rest_s + _REST_S
        return self._seen >= self._frames


@asynccontextmanager
async def live_looks(settings: Settings, broker: int | None) -> AsyncIterator[AsyncIterator[Look]]:
    """Look at the display all the time, also while the hands turn; what came is told in order."""
    loop = asyncio.get_running_loop()
    came: asyncio.Queue[Look | None] = asyncio.Queue()

    async def look_on() -> None:
        try:
            async for update in watch_topics(settings, "correction", port=broker):
                if isinstance(update.payload, dict) and update.payload.get("live"):
                    came.put_nowait(Look(message=update.payload, received_s=loop.time()))
        finally:
            came.put_nowait(None)

    async def one_by_one() -> AsyncIterator[Look]:
        while (look := await came.get()) is not None:
            yield look

    eyes = asyncio.create_task(look_on())
    try:
        yield one_by_one()
        if eyes.done():
            eyes.result()
    finally:
        eyes.cancel()
        await asyncio.gather(eyes, return_exceptions=True)
