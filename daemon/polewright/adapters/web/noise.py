"""Noise: what is no request, or ends amid one, is a line for the curious and no traceback."""

import logging

from aiohttp.http_exceptions import HttpProcessingError

_NOISE = (HttpProcessingError, ConnectionError)


def requests_log() -> logging.Logger:
    """Return the logger for the library that reads requests.

    Anybody in reach can send what is not HTTP, as often as they like: the library would write a
    traceback for each.  What goes wrong on this side keeps its traceback.
    """
    log = logging.getLogger(__name__)
    if not log.filters:
        log.addFilter(_in_one_line)
    return log


def _in_one_line(record: logging.LogRecord) -> bool:
    error = record.exc_info[1] if record.exc_info else None
    if not isinstance(error, _NOISE):
        return True
    record.exc_info = record.exc_text = None
    record.levelno, record.levelname = logging.DEBUG, logging.getLevelName(logging.DEBUG)
    record.msg = f"{record.getMessage()}: it is no request, or its sender has gone (%s)"
    record.args = (type(error).__name__,)
    return logging.getLogger(__name__).isEnabledFor(logging.DEBUG)
