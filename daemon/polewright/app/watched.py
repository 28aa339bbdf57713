"""What is handed over to the watch: a folder of frames, and what comes over MQTT."""

import asyncio
from collections.abc import Callable, Mapping

from polewright.adapters.frames.folder import FrameFolder
from polewright.adapters.mqtt.topics import WATCH_FRAME, WATCH_GUIDE
from polewright.adapters.mqtt.watch_input import WatchInputs as MqttWatchInputs
from polewright.core.imaging.frame import Frame
from polewright.ports import Clock, GuideOffset
from polewright.settings.model import Settings

# Offsets come once a second or two; more than a night's minute of them waits for nobody.
_MOST_OFFSETS = 100


class Watched:
    """Implements :class:`polewright.ports.WatchInputs`.

    Parameters
    ----------
    settings : Settings
        Which folder.
    clock : Clock
        When offsets came that bear no time.
    """

    def __init__(self, settings: Settings, clock: Clock) -> None:
        folder = settings.watch.folder
        self._by_mqtt = settings.mqtt.mode != "off"
        self._folder = None if folder is None else FrameFolder(folder)
        self._offsets: asyncio.Queue[GuideOffset] = asyncio.Queue(_MOST_OFFSETS)
        self._mqtt = MqttWatchInputs(self._take_file, self._take_offset, clock.now)

    @property
    def mqtt_inputs(self) -> Mapping[str, Callable[[bytes, bool], None]]:
        """What takes messages from MQTT, by topic."""
        return {WATCH_FRAME: self._mqtt.take_frame, WATCH_GUIDE: self._mqtt.take_guide}

    @property
    def usable(self) -> bool:
        """Whether anything can be handed over."""
        return self._folder is not None or self._by_mqtt

    @property
    def words(self) -> str:
        """Where frames and offsets are looked for."""
        places = [] if self._folder is None else [f"files in {self._folder.folder.name}"]
        if self._by_mqtt:
            places.append("offsets of a guide star over MQTT")
        return ", ".join(places)

    def begin(self) -> None:
        """Forget what was handed over so far."""
        if self._folder is not None:
            self._folder.begin()
        while not self._offsets.empty():
            self._offsets.get_nowait()

    async def next_frame(self) -> Frame:
        """Wait for a frame."""
        if self._folder is None:
            await asyncio.Event().wait()  # without a folder none ever comes
            raise AssertionError("unreachable")
        return await self._folder.next_frame()

    async def next_offset(self) -> GuideOffset:
        """Wait for an offset of the guide star."""
        return await self._offsets.get()

    def _take_file(self, name: str) -> None:
        if self._folder is not None:
            self._folder.name(name)

    def _take_offset(self, offset: GuideOffset) -> None:
        if self._offsets.full():
            self._offsets.get_nowait()
        self._offsets.put_nowait(offset)
