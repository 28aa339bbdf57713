"""Upkeep: what the check-up says of the service itself: unit, journal, secrets, metrics."""

import asyncio
import contextlib
import getpass
import os
import shutil
import sqlite3
import stat
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from polewright.adapters.journal.reading import connect_to_read
from polewright.adapters.web.access import is_loopback
from polewright.adapters.web.certificate import valid_until
from polewright.app.findings import Finding, Mark
from polewright.core.errors import PolewrightError
from polewright.settings.model import Settings
from polewright.settings.scheduling import ScheduleSettings

UNIT = "polewright.service"
USER = "polewright"

# The manager answers at once, or it is in trouble itself (s).
_ASK_TIMEOUT_S = 5.0
_UNIT_PROPERTIES = ("LoadState", "ActiveState", "Result", "NRestarts", "WatchdogUSec", "User")
_CONNECT_TIMEOUT_S = 2.0
# A journal of some hundred evenings is looked through in a few seconds; more is too long to wait.
_INTEGRITY_TIMEOUT_S = 20.0
# Below this an evening's frames may not fit (bytes).
_LEAST_FREE_BYTES = 200_000_000
# A certificate that ends so soon is made anew before the next dark site, where nobody can (days).
_CERTIFICATE_NOTICE_DAYS = 30

_PAGE_CERTIFICATE = "page certificate"

Properties = Mapping[str, str]


async def upkeep(settings: Settings) -> AsyncIterator[Finding]:
    """Yield the findings, those that are no matter here left out."""
    properties = await asyncio.to_thread(unit_properties)
    yield unit_finding(properties, getpass.getuser())
    yield await asyncio.to_thread(_journal, settings)
    for finding in await asyncio.to_thread(lambda: [*_secrets(settings), *_certificates(settings)]):
        yield finding
    running = properties.get("ActiveState") == "active"
    if (planned := schedule_finding(settings.schedule, running=running)) is not None:
        yield planned
    if (gate := gate_finding(settings.schedule.gate_command)) is not None:
        yield gate
    if settings.metrics.port is not None:
        yield await _metrics(settings, running=running)


def unit_properties(ask: Callable[[list[str]], str] | None = None) -> Properties:
    """Return what the service manager says of the unit; empty where there is no manager."""
    command = ["systemctl", "show", UNIT, f"--property={','.join(_UNIT_PROPERTIES)}"]
    try:
        text = (ask or _asked)(command)
    except (OSError, subprocess.SubprocessError):
        return {}
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)


def unit_finding(properties: Properties, user: str) -> Finding:
    """Return what the unit's properties mean for the person; ``user`` is who asks."""
    step = "service"
    if properties.get("LoadState", "not-found") != "loaded":
        return Finding(
            step=step,
            mark=Mark.GOOD,
            text="not a service of this machine: it runs while somebody runs it",
        )
    active, result = properties.get("ActiveState", ""), properties.get("Result", "")
    if active == "failed" or result not in ("", "success"):
        reasons = {
            "exit-code": "it ended with an error",
            "watchdog": "it hung and was ended",
            "start-limit-hit": "it failed again and again",
            "oom-kill": "it took too much memory and was ended",
            "timeout": "it did not start or end in time",
        }
        return Finding(
            step=step,
            mark=Mark.BAD,
            text=f"{reasons.get(result, 'it failed')} ({result or active})",
            remedy="`journalctl -u polewright -n 50` says why; mend it, then "
            "`sudo systemctl restart polewright`.",
        )
    if active not in ("active", "reloading"):
        return Finding(
            step=step,
            mark=Mark.NOTE,
            text=f"installed, and {active or 'not running'}",
            remedy="Start it: `sudo systemctl start polewright`.",
        )
    if properties.get("WatchdogUSec") in (None, "", "0", "infinity"):
        return Finding(
            step=step,
            mark=Mark.NOTE,
            text="it runs, but nothing watches whether it hangs",
            remedy="Take WatchdogSec=0 out of the drop-in: `systemctl cat polewright`.",
        )
    if (restarts := properties.get("NRestarts", "0")) != "0":
        return Finding(
            step=step,
            mark=Mark.NOTE,
            text=f"it runs, and was started anew by itself {restarts} times since the last start",
            remedy="`journalctl -u polewright` says why.",
        )
    if user not in (properties.get("User"), "root"):
        return Finding(
            step=step,
            mark=Mark.NOTE,
            text=f"it runs, watched; its own files are not seen by {user}",
            remedy="Look at them too: sudo polewright doctor",
        )
    return Finding(step=step, mark=Mark.GOOD, text="it runs, and is started anew if it hangs")


def _asked(command: list[str]) -> str:
    answer = subprocess.run(
        command, check=True, capture_output=True, text=True, timeout=_ASK_TIMEOUT_S
    )
    return answer.stdout


def _journal(settings: Settings) -> Finding:
    step = "journal"
    file = settings.journal.file(settings.mount.slug)
    if file is None:
        return Finding(
            step=step,
            mark=Mark.NOTE,
            text="switched off: a restart forgets the last survey",
            remedy='Set [journal] mode = "on".',
        )
    try:
        if not file.exists():
            return Finding(step=step, mark=Mark.GOOD, text=f"none yet; it will be {file}")
        size = file.stat().st_size
        free = shutil.disk_usage(file.parent).free
    except OSError as trouble:
        return Finding(
            step=step,
            mark=Mark.BAD,
            text=f"{file} cannot be looked at: {trouble.strerror}",
            remedy="Run this as the user of the service: sudo polewright doctor",
        )
    whole = _is_whole(file)
    if isinstance(whole, str):
        return Finding(
            step=step,
            mark=Mark.BAD,
            text=f"{file} is damaged: {whole}",
            remedy="Put back a backup: `polewright history --restore FILE`, with the service "
            "stopped.",
        )
    told = f"{file}, {size / 1e6:.1f} MB, {'whole' if whole else 'too large to be proved now'}"
    if free < _LEAST_FREE_BYTES:
        return Finding(
            step=step,
            mark=Mark.BAD,
            text=f"{told}; only {free / 1e6:.0f} MB are free there",
            remedy="Make room there: an evening's frames may not fit.",
        )
    return Finding(step=step, mark=Mark.GOOD, text=f"{told}, {free / 1e9:.1f} GB free")


def _is_whole(file: Path) -> bool | str:
    """Return whether SQLite finds a journal whole, what is wrong, or False: it took too long."""
    until_s = time.monotonic() + _INTEGRITY_TIMEOUT_S
    try:
        with closing(connect_to_read(file)) as connection:
            connection.set_progress_handler(lambda: time.monotonic() > until_s, 10_000)
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    except PolewrightError as trouble:
        return trouble.text
    except sqlite3.OperationalError as trouble:
        return False if "interrupted" in str(trouble) else str(trouble)
    except sqlite3.DatabaseError as trouble:
        return str(trouble)
    return found == "ok" or str(found).replace("\n", " ")


def _secrets(settings: Settings) -> Iterator[Finding]:
    """Yield which files with secrets others may read; what they hold is looked at by nobody."""
    slug = settings.mount.slug
    files = {
        "page tokens": settings.page.tokens_at(slug),
        "page key": settings.page.certificate_at(slug)[1],
        "broker password": settings.mqtt.password_file,
        "broker key": settings.mqtt.client_key_file,
    }
    for step, file in files.items():
        with contextlib.suppress(OSError):
            if file is None or not file.exists():
                continue
            mode = stat.S_IMODE(file.stat().st_mode)
            # A group may read it: that of the service. Nobody else's business is to write it.
            if mode & 0o027:
                yield Finding(
                    step=step,
                    mark=Mark.BAD,
                    text=f"{file} can be read or written by other users of this machine",
                    remedy=f"chmod 600 {file}",
                )
            else:
                yield Finding(step=step, mark=Mark.GOOD, text=f"{file}, not for others")


def _certificates(settings: Settings) -> Iterator[Finding]:
    files = {
        _PAGE_CERTIFICATE: settings.page.certificate_at(settings.mount.slug)[0],
        "broker certificate": settings.mqtt.client_certificate_file,
    }
    for step, file in files.items():
        try:
            if file is None or not file.exists():
                continue
            until = valid_until(file)
        except OSError:
            continue
        except PolewrightError as trouble:
            yield Finding(step=step, mark=Mark.NOTE, text=trouble.text, remedy=trouble.remedy)
            continue
        yield certificate_finding(step, file, until, datetime.now(UTC))


def certificate_finding(step: str, file: Path, until: datetime, now: datetime) -> Finding:
    """Return what a certificate's end means now."""
    left_days = (until - now).total_seconds() / 86_400.0
    how = (
        "Delete it and its key, then `polewright page --make-certificate`."
        if step == _PAGE_CERTIFICATE
        else "Ask who made it for a new one."
    )
    if left_days < 0.0:
        mark, text = Mark.BAD, f"{file} ended on {until:%Y-%m-%d}"
    elif left_days < _CERTIFICATE_NOTICE_DAYS:
        mark, text = Mark.NOTE, f"{file} ends in {left_days:.0f} days, on {until:%Y-%m-%d}"
    else:
        mark, text = Mark.GOOD, f"{file}, until {until:%Y-%m-%d}"
    return Finding(step=step, mark=mark, text=text, remedy="" if mark is Mark.GOOD else how)


def schedule_finding(schedule: ScheduleSettings, *, running: bool) -> Finding | None:
    """Return when verifications are due; ``running``: as a service of this machine."""
    due = [f"at {', '.join(schedule.at)}"] if schedule.at else []
    if schedule.after_dusk_min is not None:
        due.append(f"{schedule.after_dusk_min:g} min after {schedule.dusk} dusk")
    if not due:
        return None
    moves = "; it may move the mount" if schedule.may_move else ""
    return Finding(
        step="schedule",
        mark=Mark.GOOD if running else Mark.NOTE,
        text=f"verifies every day {' and '.join(due)}{moves}",
        remedy=""
        if running
        else "Only while the service runs: install it as a service of this "
        "machine, docs/operations.md, or leave `polewright run` running.",
    )


def gate_finding(command: Sequence[str]) -> Finding | None:
    """Return whether the gate command can be started, and by whom it can be changed."""
    if not command:
        return None
    program = Path(command[0])
    correct = "Correct [schedule] gate_command"
    why, remedy = "", ""
    try:
        if not program.is_file():
            why, remedy = "is no file", f"{correct}."
        elif not os.access(program, os.X_OK):
            why, remedy = "may not be run by this user", f"chmod +x {program}"
        else:
            for path in (program, *program.resolve().parents):
                mode, owner = path.stat().st_mode, path.stat().st_uid
                sticky = stat.S_ISDIR(mode) and mode & stat.S_ISVTX
                if (mode & 0o022 and not sticky) or owner not in (0, os.getuid()):
                    why = f"could be changed by others: {path}"
                    remedy = f"chmod go-w {path}, and let it belong to root."
                    break
    except OSError as trouble:
        why, remedy = f"cannot be looked at: {trouble.strerror}", f"{correct}."
    return Finding(
        step="gate command",
        mark=Mark.BAD if why else Mark.GOOD,
        text=f"{program} {why or 'can be started, and changed by nobody else'}",
        remedy=remedy,
    )


async def _metrics(settings: Settings, *, running: bool) -> Finding:
    wanted = settings.metrics
    where = f"http://{wanted.host}:{wanted.port}/metrics"
    if wanted.port == 0:
        return Finding(
            step="metrics", mark=Mark.NOTE, text="served at any free port, told in the log",
            remedy="Set a fixed [metrics] port, so that they can be found.",
        )  # fmt: skip
    answers = await _answers(wanted.host, wanted.port or 0)
    if not answers and running:
        return Finding(
            step="metrics", mark=Mark.BAD, text=f"nothing answers at {where}",
            remedy="`journalctl -u polewright` says why; restart the service after a change.",
        )  # fmt: skip
    if not is_loopback(wanted.host):
        return Finding(
            step="metrics", mark=Mark.NOTE,
            text=f"{where}: read without a token by whoever reaches this machine",
            remedy='Set [metrics] host = "127.0.0.1", or keep others out by a firewall.',
        )  # fmt: skip
    state = "answers" if answers else "will answer while the service runs"
    return Finding(step="metrics", mark=Mark.GOOD, text=f"{where} {state}")


async def _answers(host: str, port: int) -> bool:
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    try:
        async with asyncio.timeout(_CONNECT_TIMEOUT_S):
            _, writer = await asyncio.open_connection(host, port)
    except (OSError, TimeoutError):
        return False
    writer.close()
    return True
