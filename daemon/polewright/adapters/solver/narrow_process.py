"""Owning the narrow solver's child process: started when first asked, ended when it is too slow."""

import contextlib
import json
import logging
import os
import select
import subprocess
import sys
import threading
import weakref
from collections.abc import Sequence
from pathlib import Path
from time import monotonic
from typing import Any

LOG = logging.getLogger(__name__)

START_TIMEOUT_S = 20.0
"""Bound on starting: 0.3 s on a desktop; a cold card in a small board is slow to read."""

_READ_BYTES = 1 << 16


class NarrowProcess:
    """One child process, one question at a time; safe to use from several threads.

    Parameters
    ----------
    files : sequence of Path
        The index files.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = tuple(files)
        self._busy = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._end: weakref.finalize[..., Any] | None = None

    def ask(self, question: dict[str, Any], timeout_s: float) -> list[dict[str, Any]]:
        """Return the proposals; none where the time was up or the child died."""
        with self._busy:
            child = self._child or self._start()
            if child is None or child.stdin is None:
                return []
            try:
                child.stdin.write(json.dumps(question).encode() + b"\n")
                child.stdin.flush()
                answer = _line(child, timeout_s)
            except OSError as error:
                LOG.debug("the narrow solver's process broke off: %s", error)
                answer = None
            if answer is None:
                self.stop()
                return []
            return list(json.loads(answer)["proposals"])

    def interrupt(self) -> None:
        """Let a running question end without an answer; for other threads than the asking one."""
        child = self._child
        if child is not None:
            child.kill()  # the asking thread reads the end of its output, and tidies up

    def stop(self) -> None:
        """End the child; it starts again when asked again."""
        end, self._end, self._child = self._end, None, None
        if end is not None:
            end()

    def _start(self) -> subprocess.Popen[bytes] | None:
        child = subprocess.Popen(
            [
                sys.executable, "-m", "polewright.adapters.solver.narrow_worker",
                *(str(file) for file in self._files),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._child, self._end = child, weakref.finalize(self, _finish, child)
        if _line(child, START_TIMEOUT_S) is None:
            LOG.warning("the second solver does not start: narrow fields stay unsolved")
            self.stop()
            return None
        return child


def _finish(child: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError):
        child.kill()
    for stream in (child.stdin, child.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
    child.wait()


def _line(child: subprocess.Popen[bytes], timeout_s: float) -> bytes | None:
    """Return the child's next line, None at its end or when the time is up."""
    stdout = child.stdout
    if stdout is None:
        return None
    until_s = monotonic() + timeout_s
    said = b""
    try:
        while not said.endswith(b"\n"):
            left_s = until_s - monotonic()
            ready = select.select([stdout], [], [], max(0.0, left_s))[0] if left_s > 0.0 else []
            if not ready:
                return None
            more = os.read(stdout.fileno(), _READ_BYTES)
            if not more:
                return None
            said += more
    except OSError:
        return None
    return said
