"""The gate command: the one place where the service starts a program that it was not made for.

Only what the settings file names, word by word and without a shell; never anything that came over
MQTT or from the page.  It gets the figures as environment variables and next to nothing of the
service's own environment, where passwords may stand.
"""

import asyncio
import contextlib
import logging
import os
import signal
from collections.abc import Callable, Mapping, Sequence

_log = logging.getLogger(__name__)

# What a program needs to find its way; nothing else of the service's environment.
_PASSED_ON = ("PATH", "HOME", "LANG", "TZ", "USER", "LOGNAME")
_USUAL_PATH = "/usr/local/bin:/usr/bin:/bin"
_FIGURES = (
    "verified", "depth", "verdict", "moved", "total_error_arcmin", "total_error_sigma_arcmin",
    "tolerance_arcmin", "scheduled",
)  # fmt: skip
# One that was told to end gets so long before it is killed (s).
_LAST_WORDS_S = 3.0
_LOOK_EVERY_S = 0.05

Tell = Callable[[str, str, str, str], None]
"""Takes the level, the code, the text and the remedy of an event."""


class GateCommand:
    """Starts the command, one at a time (implements :class:`polewright.ports.Gate`).

    Parameters
    ----------
    command : sequence of str
        The program with its whole path, and its arguments.
    longest_s : float
        It is ended when it takes longer (s).
    mount : str
        The mount's short name, passed on.
    tell : callable
        Told how it ended.
    """

    def __init__(self, command: Sequence[str], *, longest_s: float, mount: str, tell: Tell) -> None:
        self._command = tuple(command)
        self._longest_s = longest_s
        self._mount = mount
        self._tell = tell
        self._asked: asyncio.Queue[Mapping[str, object]] = asyncio.Queue(maxsize=1)
        self._running: asyncio.Task[None] | None = None

    def open(self, verification: Mapping[str, object]) -> None:
        """Start it by this verification, which said ``good_enough``; not while it runs."""
        if verification.get("verdict") != "good_enough":
            return
        if self._running is not None or self._asked.full():
            self._tell(
                "warning", "gate_busy", "the gate command still runs and is not started again",
                "Let it end sooner, or give it less time: [schedule] gate_s.",
            )  # fmt: skip
            return
        self._asked.put_nowait(dict(verification))

    def shut(self) -> None:
        """End it, and forget what was asked for."""
        while not self._asked.empty():
            self._asked.get_nowait()
        if self._running is not None:
            self._running.cancel()

    async def run(self) -> None:
        """Start it whenever it is asked for, for ever."""
        while True:
            verification = await self._asked.get()
            self._running = asyncio.ensure_future(self._start(verification))
            try:
                # Shut, it is cancelled alone; cancelled itself, this ends with it.
                await asyncio.wait({self._running})
            finally:
                self._running.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await self._running
                self._running = None

    def environment(self, verification: Mapping[str, object]) -> dict[str, str]:
        """Return the environment of the command."""
        mine = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
        figures = {f"POLEWRIGHT_{name.upper()}": _text(verification.get(name)) for name in _FIGURES}
        return {"PATH": _USUAL_PATH} | mine | figures | {"POLEWRIGHT_MOUNT": self._mount}

    async def _start(self, verification: Mapping[str, object]) -> None:
        program = self._command[0]
        try:
            process = await asyncio.create_subprocess_exec(
                *self._command,
                env=self.environment(verification),
                cwd="/",
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.DEVNULL,
                start_new_session=True,
            )
        except (OSError, ValueError) as failure:
            self._tell(
                "error", "gate_failed", f"the gate command {program} could not be started: "
                f"{failure.strerror if isinstance(failure, OSError) else failure}",
                "Check [schedule] gate_command: the path, and that the service's user may run it.",
            )  # fmt: skip
            return
        try:
            async with asyncio.timeout(self._longest_s):
                status = await process.wait()
        except TimeoutError:
            await _end(process)
            self._tell(
                "error", "gate_failed", f"the gate command {program} took longer than "
                f"{self._longest_s:g} s and was ended",
                "Let it begin the work in the background and end at once; or set gate_s.",
            )  # fmt: skip
        except asyncio.CancelledError:
            await _end(process)
            self._tell(
                "warning", "gate_ended", f"the gate command {program} was ended by a stop",
                "What it has begun elsewhere goes on: look there.",
            )  # fmt: skip
            raise
        else:
            self._ended(program, status)

    def _ended(self, program: str, status: int) -> None:
        if status == 0:
            text = f"the gate command {program} ended well (status 0)"
            self._tell("info", "gate_opened", text, "Nothing to do.")
            return
        how = f"status {status}" if status > 0 else f"signal {-status}"
        self._tell(
            "error", "gate_failed", f"the gate command {program} ended with {how}",
            "Look into its own log: what it prints is not kept here.",
        )  # fmt: skip


async def _end(process: asyncio.subprocess.Process) -> None:
    """End a program and what it started, with a chance to end well."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_LAST_WORDS_S):
            # The program may go at once and leave behind what it started.
            if _told(process.pid, signal.SIGTERM):
                await process.wait()
            while _told(process.pid, 0):  # noqa: ASYNC110 - other processes end
                await asyncio.sleep(_LOOK_EVERY_S)
            return
    _told(process.pid, signal.SIGKILL)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(_LAST_WORDS_S):
            await process.wait()


def _told(group: int, number: int) -> bool:
    """Send a signal to a group of processes (0: none); return whether any of them is left."""
    try:
        os.killpg(group, number)
    except (ProcessLookupError, PermissionError):
        return False
    return True


def _text(value: object) -> str:
    """Return a figure as a shell reads it; empty where there is none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
