"""The stop door: a socket by which ``stop`` reaches a service on this machine without a broker.

One Unix socket for each running service, in a folder that is its owner's alone.  Who opens it
sends ``stop`` and a newline, and gets one line of JSON.
"""

import asyncio
import contextlib
import hashlib
import json
import logging
import os
import stat
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from polewright.core.errors import LinkError, PolewrightError
from polewright.settings.model import Settings

log = logging.getLogger(__name__)

Stop = Callable[[], Awaitable[dict[str, Any]]]

_ASKED = b"stop\n"
# Whoever opens the door says at once what is wanted (s).
_ASK_TIMEOUT_S = 2.0
# A mount takes a second or two to answer a stop; the service bounds it by itself (s).
ANSWER_TIMEOUT_S = 15.0
_SUFFIX = ".stop"


@asynccontextmanager
async def stop_door(settings: Settings, stop: Stop) -> AsyncIterator[Path | None]:
    """Let ``stop`` in while the context is open; yields the socket, None where there can be none.

    Parameters
    ----------
    settings : Settings
        Which mount.
    stop : callable
        Stops everything and returns what is answered.
    """

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await _answer(reader, writer, stop)
        except (OSError, TimeoutError, ValueError) as trouble:
            log.info("Somebody opened the stop door and said nothing: %s", trouble)
        finally:
            writer.close()

    folder = _folder()
    path = folder / f"{_stem(settings)}{os.getpid()}{_SUFFIX}"
    server: asyncio.Server | None = None
    try:
        _make(folder)
        for other in _doors(settings):
            if await _is_dead(other):
                other.unlink(missing_ok=True)
        path.unlink(missing_ok=True)
        server = await asyncio.start_unix_server(answer, path, limit=256)
        path.chmod(0o600)
    except OSError as trouble:
        # Broker and page still bring stop.
        log.warning(
            "Stop cannot come without broker or page: %s cannot be used: %s",
            path, trouble.strerror or trouble,
        )  # fmt: skip
    try:
        yield path if server is not None else None
    finally:
        if server is not None:
            server.close()
            path.unlink(missing_ok=True)


async def _answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, stop: Stop) -> None:
    async with asyncio.timeout(_ASK_TIMEOUT_S):
        asked = await reader.readline()
    if not asked:
        return  # somebody looked whether a service is here
    if asked != _ASKED:
        log.info("Somebody asked something else than stop at the stop door")
        return
    log.info("Stop, asked directly")
    try:
        told: dict[str, Any] = {"ok": True, "result": await stop()}
    except PolewrightError as trouble:
        error = {"code": trouble.code, "text": trouble.text, "remedy": trouble.remedy}
        told = {"ok": False, "error": error}
    writer.write(json.dumps(told).encode() + b"\n")
    async with asyncio.timeout(_ASK_TIMEOUT_S):
        await writer.drain()


async def stop_directly(settings: Settings) -> dict[str, Any] | None:
    """Stop every service of this mount that runs on this machine for the same user.

    Returns
    -------
    dict or None
        The answer; None where no such service runs here.

    Raises
    ------
    LinkError
        ``stop_failed``: a service heard it, and could not do it or did not answer.
    """
    doors = _doors(settings) if _is_ours_alone(_folder()) else []
    answers = await asyncio.gather(*(_ask(door) for door in doors))
    heard = [told for told in answers if told is not None]
    if not heard:
        return None
    for told in heard:
        if not told.get("ok"):
            error = told.get("error") or {}
            raise LinkError(
                str(error.get("text") or "the service heard the stop and did not answer"),
                remedy=str(
                    error.get("remedy")
                    or "Use the mount's own stop or its power switch now; then see the log."
                ),
                code=str(error.get("code") or "stop_failed"),
            )
    return {"stopped": any(told["result"].get("stopped") for told in heard)}


async def services_here(settings: Settings) -> list[int]:
    """Return the processes of this mount's services on this machine, of the same user."""
    doors = _doors(settings) if _is_ours_alone(_folder()) else []
    return [_process_of(door) for door in doors if not await _is_dead(door)]


async def _ask(door: Path) -> dict[str, Any] | None:
    try:
        reader, writer = await asyncio.open_unix_connection(door)
    except OSError:
        return None  # left behind by a service that was killed
    try:
        writer.write(_ASKED)
        async with asyncio.timeout(ANSWER_TIMEOUT_S):
            told = json.loads(await reader.readline())
    except (OSError, TimeoutError, ValueError):
        return {"ok": False}
    finally:
        writer.close()
    return told if isinstance(told, dict) else {"ok": False}


async def _is_dead(door: Path) -> bool:
    try:
        _, writer = await asyncio.open_unix_connection(door)
    except ConnectionRefusedError:
        return True
    except OSError:
        return False
    writer.close()
    return False


def _folder() -> Path:
    """Return where the doors of this user's services are: short, for sockets' names are."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and Path(runtime).is_dir():
        return Path(runtime) / "polewright"
    login = Path(f"/run/user/{os.getuid()}")  # a service that was not started from a login
    if login.is_dir():
        return login / "polewright"
    return Path(tempfile.gettempdir()) / f"polewright-{os.getuid()}"


def _make(folder: Path) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not _is_ours_alone(folder):
        raise PermissionError(1, "the folder belongs to somebody else or is open to others")


def _is_ours_alone(folder: Path) -> bool:
    try:
        found = folder.lstat()
    except OSError:
        return False
    ours = stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid()
    return ours and not found.st_mode & 0o077


def _stem(settings: Settings) -> str:
    """Return how the names of a mount's doors begin; no slug holds what ends it."""
    root = hashlib.sha256(settings.mqtt.root.encode()).hexdigest()[:8]
    return f"{settings.mount.slug}.{root}+"


def _process_of(door: Path) -> int:
    """Return whose door it is: the number that its name ends with."""
    return int(door.name.removesuffix(_SUFFIX).rpartition("+")[2])


def _doors(settings: Settings) -> list[Path]:
    with contextlib.suppress(OSError):
        return sorted(_folder().glob(f"{_stem(settings)}*{_SUFFIX}"))
    return []
