"""Shortage: what the computer could not give, told as what it means for the work.

No bug and no trouble of a device: another program took the memory, or a frame is too large for
what there is.  The work ends, or goes on with the next frame; the service stays.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from polewright.core.errors import MeasurementError

# CPython's word where the system gives no memory for a thread.
_NO_THREAD = "can't start new thread"


def shortage(trouble: BaseException) -> MeasurementError | None:
    """Return what to tell where an exception says that memory ran out, else None."""
    if not isinstance(trouble, MemoryError) and _NO_THREAD not in str(trouble):
        return None
    return MeasurementError(
        "this computer has no memory left for the work",
        remedy="Close other programs on it, or let the camera bin ([camera] binning); then begin "
        "again.",
        code="out_of_memory",
    )


@contextmanager
def shortage_told() -> Iterator[None]:
    """Let memory that runs out inside be told as a measurement that failed.

    Raises
    ------
    MeasurementError
        ``out_of_memory``.
    """
    try:
        yield
    except (MemoryError, RuntimeError) as trouble:
        if (told := shortage(trouble)) is None:
            raise
        raise told from trouble
