"""Quiet: keeps the INDI library's chatter off the terminal, and nothing else."""

import os
import sys


def divert_library_chatter(*, to: str = os.devnull) -> None:
    """Send what compiled code writes to file descriptor 2 elsewhere, for the rest of the process.

    The INDI library reports each connection, and each message that it finds odd with all of its
    XML, on the process's standard error stream, and has no switch for that.  Python's own
    ``sys.stderr`` goes on where it went.  For the command line, once, before the first
    connection.

    Parameters
    ----------
    to : str
        A file to append to.
    """
    sys.stderr.flush()
    # Child processes get no copy: they inherit the diverted descriptor 2.
    kept = os.dup(2)
    sys.stderr = os.fdopen(kept, "w", buffering=1, encoding="utf-8", errors="backslashreplace")
    elsewhere = os.open(to, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    os.dup2(elsewhere, 2)
    os.close(elsewhere)
