"""What a worker leaves behind even where the process dies: its count, and the input at hand."""

import json
import mmap
import struct
from pathlib import Path
from typing import Any

from tests.fuzz.law import Breach

_HEAD = struct.Struct("<QI")
_ROOM = 1 << 20


class State:
    """A file in memory, and a folder with one file for each cause.

    Parameters
    ----------
    folder : Path
        Of this target and engine.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "state"
        if not path.exists():
            path.write_bytes(bytes(_ROOM))
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), _ROOM)
        self.count, _ = _HEAD.unpack_from(self._map)

    def begin(self, data: bytes) -> None:
        """Note an input before it is tried."""
        self.count += 1
        data = data[: _ROOM - _HEAD.size]
        self._map[_HEAD.size : _HEAD.size + len(data)] = data
        _HEAD.pack_into(self._map, 0, self.count, len(data))

    @property
    def seen(self) -> int:
        """How many inputs were tried so far, by whichever process."""
        return int(_HEAD.unpack_from(self._map)[0])

    @property
    def at_hand(self) -> bytes:
        """The input that was tried last."""
        _, size = _HEAD.unpack_from(self._map)
        return self._map[_HEAD.size : _HEAD.size + size]

    def keep(self, breach: Breach, data: bytes) -> None:
        """Keep a finding: of equal causes the shortest input, and how often it came."""
        name = "".join(c if c.isalnum() else "-" for c in breach.key)[:100]
        story = self.folder / f"{name}.json"
        told: dict[str, Any] = {"key": breach.key, "times": 0}
        if story.exists():
            told = json.loads(story.read_text())
        told["times"] += 1
        shortest = self.folder / f"{name}.input"
        if not shortest.exists() or len(data) < shortest.stat().st_size:
            shortest.write_bytes(data)
            told["story"] = breach.story[-4000:]
        story.write_text(json.dumps(told, indent=1))

    def findings(self) -> list[dict[str, object]]:
        """Return what was kept."""
        return [json.loads(path.read_text()) for path in sorted(self.folder.glob("*.json"))]
