"""What star finding leaves in memory, frame after frame."""

import ctypes
import gc

import numpy as np
import pytest
import sep

from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame

FRAMES = 60


class _Mallinfo2(ctypes.Structure):
    """``struct mallinfo2`` of the GNU C library (man 3 mallinfo)."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in ("arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks",
                     "uordblks", "fordblks", "keepcost")
    ]  # fmt: skip


def _given_out() -> int:
    """Return the bytes that malloc has given out to this thread's arena and by mmap."""
    mallinfo2 = getattr(ctypes.CDLL(None), "mallinfo2", None)
    if mallinfo2 is None:
        pytest.skip("no GNU C library that can be asked")
    mallinfo2.restype = _Mallinfo2
    told = mallinfo2()
    return int(told.uordblks + told.hblkhd)


def test_a_frame_leaves_no_more_than_sixteen_bytes_an_object():
    """sep 1.4.1 reserves two columns of its catalogue twice: 8 bytes an object are never freed.

    That is from its source (``convert_to_catalog``); detection looks twice at most.  Measured
    here: 8.5 bytes an object.  A crowded picture, so that pools that grow once do not count.
    """
    count = 300
    rng = np.random.default_rng(count)
    pixels = rng.normal(1000.0, 20.0, (480, 640)).astype(np.uint16)
    for row, column in zip(rng.integers(9, 470, count), rng.integers(9, 630, count), strict=True):
        pixels[row - 1 : row + 2, column - 1 : column + 2] += 3000
    frame = Frame(pixels=pixels)
    small = pixels.reshape(240, 2, 320, 2).sum(axis=(1, 3)).astype(np.float32)
    background = sep.Background(small)
    objects = len(sep.extract(small - background, 4.0, err=background.globalrms, minarea=1,
                              filter_kernel=None))  # fmt: skip
    assert objects > 0.7 * count
    for _ in range(10):
        find_stars(frame)
    gc.collect()
    before = _given_out()
    for _ in range(FRAMES):
        find_stars(frame)
    gc.collect()
    assert _given_out() - before < FRAMES * 16 * objects
