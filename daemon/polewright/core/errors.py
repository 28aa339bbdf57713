"""What can go wrong, said so that the person at the mount knows what to do next.

One root, one branch per kind of trouble.  Every leaf carries a stable ``code`` for programs,
a ``text`` that says what happened and what it means, and a ``remedy`` that says what to do.
All of these are expected: one line, no traceback.  Any other exception is a bug.
"""

from typing import ClassVar


class PolewrightError(Exception):
    """Root of every expected error.

    Parameters
    ----------
    text : str
        What happened and what it means, one sentence without a full stop needed.
    remedy : str
        What to do next.
    code : str, optional
        Stable lower-case identifier; the class's own default where left out.
    """

    default_code: ClassVar[str] = "error"
    exit_code: ClassVar[int] = 3

    def __init__(self, text: str, *, remedy: str, code: str | None = None) -> None:
        super().__init__(text)
        self.text = text
        self.remedy = remedy
        self.code = code or self.default_code

    def __str__(self) -> str:
        """Return the one line that a person reads."""
        return f"{self.text}. {self.remedy}" if self.remedy else self.text


class UsageError(PolewrightError):
    """The settings or a command's arguments are wrong; nothing was done."""

    default_code = "usage"
    exit_code = 2


class LinkError(PolewrightError):
    """A call never arrived: no INDI server, no broker, a connection that broke."""

    default_code = "link_lost"


class DeviceError(PolewrightError):
    """A device answered, and refused, failed, or did not finish in time."""

    default_code = "device_failed"


class MeasurementError(PolewrightError):
    """The data do not say: too few stars, no solution, too little rotation, a misfit."""

    default_code = "cannot_tell"


class SafetyError(PolewrightError):
    """A motion was refused because it could hurt somebody or something."""

    default_code = "unsafe"


def cannot_write(path: object, trouble: OSError) -> UsageError:
    """Return what to raise where a file that somebody named cannot be written."""
    return UsageError(
        f"{path} cannot be written: {trouble.strerror}",
        remedy="Name a file in a folder that you may write to.",
        code="cannot_write",
    )
