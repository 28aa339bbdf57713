"""The command line as a person or a script runs it: real processes, real exit codes."""

import asyncio
import atexit
import contextlib
import hashlib
import json
import os
import shutil
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

POLEWRIGHT = (sys.executable, "-m", "polewright")
# The slowest command here is a survey against the simulator (s).
LONGEST_S = 90.0
END_S = 10.0


@dataclass(frozen=True)
class Ended:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        return json.loads(self.out.splitlines()[-1])


def _runtime_directory(home: Path) -> Path:
    """A folder of the test's own, with a short name: those of sockets are limited."""
    name = hashlib.sha256(str(home).encode()).hexdigest()[:10]
    folder = Path(tempfile.gettempdir()) / f"polewright-test-{name}"
    with contextlib.suppress(FileExistsError):  # several commands may begin at the same time
        folder.mkdir(mode=0o700)
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _environment(home: Path) -> dict[str, str]:
    """A person's environment with an own home, but the machine's cache of star patterns."""
    cache = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    mine = {
        "HOME": str(home),
        "XDG_CACHE_HOME": cache,
        "XDG_STATE_HOME": str(home / "state"),
        "XDG_RUNTIME_DIR": str(_runtime_directory(home)),
    }
    dropped = {"POLEWRIGHT_CONFIG", "XDG_CONFIG_HOME"}
    return {k: v for k, v in os.environ.items() if k not in dropped} | mine


async def polewright(home: Path, *arguments: str, timeout_s: float = LONGEST_S) -> Ended:
    """Run a command to its end; it is killed and the test fails where it takes too long."""
    process = await asyncio.create_subprocess_exec(
        *POLEWRIGHT, *arguments, cwd=home, env=_environment(home),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        out, err = await asyncio.wait_for(process.communicate(), timeout_s)
    except TimeoutError:
        process.kill()
        await process.wait()
        raise
    return Ended(process.returncode or 0, out.decode(), err.decode())
