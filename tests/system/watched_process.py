"""Processes whose sockets are watched, with all that they said."""

import asyncio
import signal
import sys
from collections.abc import Mapping
from pathlib import Path

from tests.system.commands import _environment

_RUNNER = (sys.executable, "-m", "tests.system.listened_in")
# What a program does by itself at its start, it does so soon (s).
_AT_THE_START_S = 2.0


async def watched(
    home: Path,
    *arguments: str,
    until: bytes | None = None,
    ended_after_s: float = 60.0,
    variables: Mapping[str, str] | None = None,
) -> tuple[int | None, str, list[str]]:
    """Run under the hook, to its end or until it has said ``until``; also return what it noted."""
    notes = home / "notes.txt"
    notes.unlink(missing_ok=True)
    process = await asyncio.create_subprocess_exec(
        *_RUNNER, *arguments,
        env=_environment(home) | {"LISTENED_IN": str(notes)} | dict(variables or {}),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT, cwd=Path.cwd(),
    )  # fmt: skip
    assert process.stdout is not None
    said = b""
    try:
        async with asyncio.timeout(ended_after_s):
            if until is None:
                said = await process.stdout.read()
            else:
                while until not in said and (line := await process.stdout.readline()):
                    said += line
                await asyncio.sleep(_AT_THE_START_S)
                process.send_signal(signal.SIGTERM)
                said += await process.stdout.read()
            await process.wait()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    found = notes.read_text("utf-8").splitlines() if notes.exists() else []
    return process.returncode, said.decode(), found
