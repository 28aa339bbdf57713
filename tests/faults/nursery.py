"""The nursery: a process with everything imported that forks services and simulators on request.

A service takes seconds to import what it needs, and the simulator seconds more for its catalogue;
a campaign starts hundreds of both.  A child here is a process of its own, with its own memory,
standard streams, environment and folder, which runs the program's own entry; only its imports
were made before.  The nursery itself has one thread and never runs an event loop.

A request is one connection to its socket: a line of JSON with the descriptors for the child's
standard streams; the answers are lines too, ``{"pid": ...}`` at once and ``{"code": ...}`` when
it has ended (minus the signal's number where one ended it).
"""

import argparse
import array
import contextlib
import ctypes
import importlib
import json
import os
import selectors
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

START_S = 120.0
# The module whose children the campaign wants; it has ``read_ahead`` and ``ENTRIES``.
CHILDREN = "tests.faults.children"
Entries = Mapping[str, Callable[[dict[str, Any]], int]]
_MOST_BYTES = 65536
# linux/prctl.h: a child does not outlive its nursery.
_PR_SET_PDEATHSIG = 1


def main() -> None:
    """Serve until standard input ends."""
    options = argparse.ArgumentParser()
    options.add_argument("socket", type=Path)
    options.add_argument("children", nargs="?", default=CHILDREN)
    told = options.parse_args()
    path = told.socket
    entries = _entries(told.children)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as door:
        door.bind(str(path))
        door.listen(16)
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        _Nursery(door, entries).run()


def _entries(children: str) -> Entries:
    """Import what children need, and return how each kind of them begins."""
    module = importlib.import_module(children)
    module.read_ahead()
    entries: Entries = module.ENTRIES
    return entries


class _Nursery:
    """Takes requests and buries the dead."""

    def __init__(self, door: socket.socket, entries: Entries) -> None:
        self._door = door
        self._entries = entries
        self._children: dict[int, socket.socket] = {}
        self._died, wakes = os.pipe()
        os.set_blocking(wakes, False)
        os.set_blocking(self._died, False)
        signal.set_wakeup_fd(wakes, warn_on_full_buffer=False)
        signal.signal(signal.SIGCHLD, lambda _number, _frame: None)

    def run(self) -> None:
        looks = selectors.DefaultSelector()
        looks.register(self._door, selectors.EVENT_READ)
        looks.register(self._died, selectors.EVENT_READ)
        looks.register(sys.stdin, selectors.EVENT_READ)
        while True:
            for key, _ in looks.select():
                if key.fileobj is sys.stdin:
                    if not os.read(key.fd, 4096):
                        return self._end()
                elif key.fileobj is self._door:
                    self._take()
                else:
                    os.read(self._died, 4096)
                    self._bury()

    def _take(self) -> None:
        talk, _ = self._door.accept()
        data, told, _, _ = talk.recvmsg(_MOST_BYTES, socket.CMSG_SPACE(3 * 4))
        streams = array.array("i")
        for level, kind, content in told:
            if level == socket.SOL_SOCKET and kind == socket.SCM_RIGHTS:
                streams.frombytes(content)
        if not data or len(streams) != 3:
            talk.close()
            return
        child = os.fork()
        if child == 0:
            self._become(json.loads(data), list(streams))
        for one in streams:
            os.close(one)
        self._children[child] = talk
        talk.sendall(json.dumps({"pid": child}).encode() + b"\n")

    def _become(self, request: dict[str, Any], streams: list[int]) -> None:
        """Be the child, and never return."""
        code = 70
        try:
            signal.set_wakeup_fd(-1)
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            os.setsid()
            ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
            for number, one in enumerate(streams):
                os.dup2(one, number)
            os.closerange(3, 256)
            os.chdir(request["folder"])
            os.environ.clear()
            os.environ.update(request["environment"])
            time.tzset()
            if "pid_file" in request:
                Path(request["pid_file"]).write_text(str(os.getpid()))
            code = self._entries[request["entry"]](request)
        except SystemExit as ended:
            code = ended.code if isinstance(ended.code, int) else 1
        except BaseException:
            import traceback

            traceback.print_exc()
        finally:
            with contextlib.suppress(Exception):
                sys.stdout.flush()
                sys.stderr.flush()
            os._exit(code)

    def _bury(self) -> None:
        while True:
            try:
                pid, status = os.waitpid(-1, os.WNOHANG)
            except ChildProcessError:
                return
            if pid == 0:
                return
            talk = self._children.pop(pid, None)
            if talk is not None:
                code = os.waitstatus_to_exitcode(status)
                with contextlib.suppress(OSError):
                    talk.sendall(json.dumps({"code": code}).encode() + b"\n")
                talk.close()

    def _end(self) -> None:
        for pid in self._children:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)
                os.kill(pid, signal.SIGKILL)


def ask(
    door: Path, request: dict[str, Any], streams: tuple[int, int, int]
) -> tuple[int, socket.socket]:
    """Ask a nursery for a child; return its process and where its end will be told."""
    talk = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    talk.connect(str(door))
    content = json.dumps(request).encode()
    talk.sendmsg(
        [content], [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", streams).tobytes())]
    )
    line = b""
    while not line.endswith(b"\n"):
        more = talk.recv(1)
        if not more:
            raise OSError("the nursery has no child for this request")
        line += more
    return int(json.loads(line)["pid"]), talk


@contextlib.contextmanager
def nursery(folder: Path, children: str = CHILDREN) -> Iterator[Path]:
    """Run a nursery of these children; yields its socket."""
    door = folder / "nursery"
    with subprocess.Popen(
        [sys.executable, "-m", "tests.faults.nursery", str(door), children],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2],
    ) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            if process.stdout.readline().strip() != b"ready":
                raise RuntimeError("the nursery did not start")
            yield door
        finally:
            process.stdin.close()
            process.wait(START_S)


if __name__ == "__main__":
    main()
