"""Folder: notices picture files that other programs write, and reads them once they are complete.

By looking again and again: that works on network drives and cards as well, where the system's own
notices do not.
"""

import asyncio
import logging
import os
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from polewright.core.errors import MeasurementError
from polewright.core.imaging.decode import decode_picture
from polewright.core.imaging.frame import Frame

log = logging.getLogger(__name__)

LOOK_EVERY_S = 2.0
SUFFIXES = (".fits", ".fit", ".fts", ".fits.gz", ".fit.gz", ".fits.fz", ".fz")
# More entries than this are not gone through: a folder of its own is asked for.
MOST_ENTRIES = 20_000
DEEPEST = 3
LARGEST_BYTES = 1 << 30
# A file that is no picture yet is tried so often before it is given up: it may be half written.
MOST_TRIES = 15
# Where frames come faster than they are solved, the newest count.
MOST_WAITING = 3


@dataclass(frozen=True, slots=True)
class _Look:
    size: int
    changed_ns: int


class FrameFolder:
    """Picture files that appear in a folder.

    Parameters
    ----------
    folder : Path
        Gone through with the folders in it, three deep; it may be made later.
    sleep : callable
        Waits so many seconds.
    """

    def __init__(
        self, folder: Path, sleep: Callable[[float], Awaitable[None]] = asyncio.sleep
    ) -> None:
        self.folder = folder
        self._sleep = sleep
        self._known: dict[Path, _Look] = {}
        self._tries: dict[Path, int] = {}
        self._done: set[Path] = set()
        self._named: list[Path] = []
        self._first = True
        self._too_many = False
        self.passed_over = 0

    def begin(self) -> None:
        """Take what is there now for old."""
        self._known, self._tries, self._done, self._named = {}, {}, set(), []
        self._first = True

    def name(self, relative: str) -> None:
        """Take a file for complete and new, by its name below the folder; others are refused."""
        path = self._inside(relative)
        if path is None:
            log.warning("A file outside the watched folder is not read: %.80r", relative)
            return
        self._named = [*self._named[-MOST_WAITING + 1 :], path]

    async def next_frame(self) -> Frame:
        """Wait for the next picture that is complete, and return it.

        Raises
        ------
        MeasurementError
            ``not_a_picture``, ``picture_too_large``: a file was complete, and no picture.
        """
        while True:
            ready = await asyncio.to_thread(self._ready)
            for path in ready:
                frame = await asyncio.to_thread(self._read, path)
                if frame is not None:
                    return frame
            await self._sleep(LOOK_EVERY_S)

    def _ready(self) -> list[Path]:
        """Return files that are new and did not change since the last look, oldest first."""
        found = dict(self._files())
        if self._first:
            # What a watch finds there is of before it.
            self._known, self._done, self._first = found, set(found), False
        for path, look in found.items():
            if self._known.get(path, look) != look:
                self._done.discard(path)  # written anew under the same name
        steady = [
            path
            for path, look in found.items()
            if path not in self._done and look.size > 0 and self._known.get(path) == look
        ]
        self._known = found
        self._done &= set(found)
        steady.sort(key=lambda path: found[path].changed_ns)
        for path in steady[:-MOST_WAITING]:
            self._done.add(path)
            self.passed_over += 1
        named, self._named = [path for path in self._named if path not in self._done], []
        return [*named, *(path for path in steady[-MOST_WAITING:] if path not in named)]

    def _read(self, path: Path) -> Frame | None:
        """Return what a file shows; None where it may not be complete yet."""
        try:
            if path.stat().st_size > LARGEST_BYTES:
                self._done.add(path)
                log.warning("%s is larger than a picture should be, and is not read", path.name)
                return None
            frame = decode_picture(path.read_bytes(), name=path.name)
        except (MeasurementError, OSError) as failure:
            tries = self._tries[path] = self._tries.get(path, 0) + 1
            if tries < MOST_TRIES:
                log.debug("%s is not complete yet: %s", path.name, failure)
                return None
            self._give_up(path)
            if isinstance(failure, OSError):
                log.warning("%s cannot be read: %s", path.name, failure.strerror)
                return None
            raise
        self._give_up(path)
        return frame

    def _give_up(self, path: Path) -> None:
        self._done.add(path)
        self._tries.pop(path, None)

    def _inside(self, relative: str) -> Path | None:
        """Return a file's whole name where it is below the folder, links followed."""
        root = self.folder.resolve()
        path = (root / relative).resolve()
        return path if path.is_relative_to(root) and _is_picture(path.name) else None

    def _files(self) -> Iterator[tuple[Path, _Look]]:
        left = MOST_ENTRIES
        folders = [(self.folder, 0)]
        while folders:
            folder, depth = folders.pop()
            try:
                with os.scandir(folder) as entries:
                    for entry in entries:
                        left -= 1
                        if left < 0:
                            self._tell_too_many()
                            return
                        if entry.is_dir(follow_symlinks=False):
                            if depth < DEEPEST and not entry.name.startswith("."):
                                folders.append((Path(entry.path), depth + 1))
                        elif _is_picture(entry.name) and entry.is_file(follow_symlinks=False):
                            state = entry.stat(follow_symlinks=False)
                            yield Path(entry.path), _Look(state.st_size, state.st_mtime_ns)
            except OSError as failure:
                log.debug("%s cannot be looked through: %s", folder, failure)

    def _tell_too_many(self) -> None:
        level = logging.DEBUG if self._too_many else logging.WARNING
        self._too_many = True
        log.log(
            level, "%s holds more than %d files: the rest is not looked at; give tonight's frames "
            "a folder of their own", self.folder, MOST_ENTRIES,
        )  # fmt: skip


def _is_picture(name: str) -> bool:
    return name.lower().endswith(SUFFIXES) and not name.startswith(".")
