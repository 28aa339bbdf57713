"""Logs: one line an event, for a person in the dark on a terminal, as JSON for machines.

On a terminal everything is written in shades of red, which spare eyes that are used to the dark;
``NO_COLOR`` (any value) switches colours off.  Expected errors never carry a traceback.
"""

import contextlib
import json
import logging
import os
import sys
from collections.abc import Iterator
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Literal, TextIO

from polewright.core.errors import PolewrightError
from polewright.program import as_called

cycle_id: ContextVar[str] = ContextVar("cycle_id", default="")
"""What the lines now written belong to: one survey, one adjustment, one command; and its frame."""

_RED, _DIM_RED, _BRIGHT_RED, _PLAIN = "\x1b[31m", "\x1b[2;31m", "\x1b[1;31m", "\x1b[0m"
_COLOURS = {"DEBUG": _DIM_RED, "INFO": _RED}
_MARKS = {"DEBUG": "·", "INFO": " ", "WARNING": "!", "ERROR": "X", "CRITICAL": "X"}

# Libraries that tell at INFO, or even as errors, what polewright tells better itself.
_NOISY = {"amqtt": logging.CRITICAL, "transitions": logging.WARNING, "mqtt": logging.CRITICAL}

_STANDARD_FIELDS = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "cycle_id"}


@contextlib.contextmanager
def cycle(identifier: str) -> Iterator[None]:
    """Mark every line written inside, in this task and its children, with ``identifier``."""
    token = cycle_id.set(identifier)
    try:
        yield
    finally:
        cycle_id.reset(token)


def begin_frame(number: int) -> None:
    """Mark every line from now on, until the next frame, as that frame's: ``survey-7/3``.

    In this task and the threads that it asks; the mark ends with the :func:`cycle` around it.
    """
    cycle_id.set(f"{work_id() or 'frame'}/{number}")


def work_id() -> str:
    """Return the survey, adjustment or command under way, without its frame."""
    return cycle_id.get().partition("/")[0]


def setup_logging(
    *,
    level: str = "info",
    form: Literal["auto", "text", "json"] = "auto",
    stream: TextIO | None = None,
) -> None:
    """Send all logs to one stream; calling again replaces what was set up before.

    Parameters
    ----------
    level : str
        ``debug``, ``info``, ``warning`` or ``error``.
    form : {"auto", "text", "json"}
        ``auto``: text on a terminal, JSON otherwise.
    stream : text stream, optional
        Standard output where left out (the service); commands pass standard error.
    """
    target = sys.stdout if stream is None else stream
    on_terminal = target.isatty()
    text = form == "text" or (form == "auto" and on_terminal)
    handler = logging.StreamHandler(target)
    coloured = on_terminal and not os.environ.get("NO_COLOR")
    handler.setFormatter(NightFormatter(coloured=coloured) if text else JsonFormatter())
    root = logging.getLogger()
    for old in list(root.handlers):
        if getattr(old, "from_polewright", False):
            root.removeHandler(old)
    handler.from_polewright = True  # type: ignore[attr-defined]
    root.addHandler(handler)
    root.setLevel(level.upper())
    for name, least in _NOISY.items():
        logging.getLogger(name).setLevel(logging.DEBUG if level == "debug" else least)


class NightFormatter(logging.Formatter):
    """``22:14:03 ! session   [s7] text``: local time, mark, room, cycle, what happened.

    Parameters
    ----------
    coloured : bool
        Write escape codes for shades of red.
    """

    def __init__(self, *, coloured: bool) -> None:
        super().__init__()
        self._coloured = coloured

    def format(self, record: logging.LogRecord) -> str:
        """Return one line; more only for the traceback of a bug."""
        clock = datetime.fromtimestamp(record.created, UTC).astimezone().strftime("%H:%M:%S")
        cycle_mark = f"[{cycle_id.get()}] " if cycle_id.get() else ""
        line = (
            f"{clock} {_MARKS.get(record.levelname, '?')} {_room(record.name):<9} "
            f"{cycle_mark}{as_called(_message(record))}"
        )
        if traceback := _traceback(self, record):
            line += "\n" + traceback
        if not self._coloured:
            return line
        return f"{_COLOURS.get(record.levelname, _BRIGHT_RED)}{line}{_PLAIN}"


class JsonFormatter(logging.Formatter):
    """One JSON object a line: at (UTC), level, logger, text, cycle_id, and every extra field."""

    def format(self, record: logging.LogRecord) -> str:
        """Return one line of JSON."""
        entry: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "text": _message(record),
        }
        if cycle_id.get():
            entry["cycle_id"] = cycle_id.get()
        error = record.exc_info[1] if record.exc_info else None
        if isinstance(error, PolewrightError):
            entry["code"], entry["remedy"] = error.code, error.remedy
        elif traceback := _traceback(self, record):
            entry["traceback"] = traceback
        entry |= {key: value for key, value in vars(record).items() if key not in _STANDARD_FIELDS}
        return json.dumps(entry, ensure_ascii=False, default=str)


def _message(record: logging.LogRecord) -> str:
    text = record.getMessage()
    error = record.exc_info[1] if record.exc_info else None
    if isinstance(error, PolewrightError) and str(error) not in text:
        text = f"{text}: {error}"
    return " | ".join(line.strip() for line in text.splitlines() if line.strip())


def _traceback(formatter: logging.Formatter, record: logging.LogRecord) -> str:
    """Return the traceback of a bug; nothing for expected errors."""
    if not record.exc_info or record.exc_info[1] is None:
        return ""
    if isinstance(record.exc_info[1], PolewrightError):
        return ""
    return formatter.formatException(record.exc_info)


def _room(logger_name: str) -> str:
    """Return the room of the house that speaks: polewright.adapters.mqtt.service is mqtt."""
    parts = logger_name.split(".")
    if parts[0] != "polewright":
        return parts[0][:9]
    if len(parts) > 2 and parts[1] in ("adapters", "core"):
        return parts[2]
    return parts[1] if len(parts) > 1 else parts[0]
