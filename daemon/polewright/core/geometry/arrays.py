"""Arrays of records: one memory layout, so that what is read back gives the same digits."""

from typing import Any

import numpy as np
from numpy.typing import NDArray


def settled(array: Any) -> NDArray[np.float64]:
    """Return a read-only float64 array in C order: itself where it is one already, else a copy.

    Sums over arrays of another layout may end in other last digits; a record that is kept and
    read back must compute as it did the first time.  What the caller holds stays as writable as it
    was: others may compute with it.
    """
    if isinstance(array, np.ndarray) and array.dtype == np.float64:
        flags = array.flags
        if flags.c_contiguous and not flags.writeable and not _follows_another(array):
            return array
    result = np.array(array, dtype=np.float64, order="C", ndmin=1)
    result.setflags(write=False)
    return result


def _follows_another(array: NDArray[Any]) -> bool:
    """Return whether this is a view of something that can still be written to."""
    base = array.base
    while isinstance(base, np.ndarray):
        if base.flags.writeable:
            return True
        base = base.base
    return base is not None
