"""Arrays of records: read-only, in one layout, and nobody else's array is touched."""

import numpy as np
import pytest

from polewright.core.geometry.arrays import settled


@pytest.mark.parametrize(
    "given", [[1.0, 2.0], np.eye(3), np.eye(3).T[::2], np.arange(6, dtype=np.float32).reshape(2, 3)]
)
def test_a_record_holds_a_read_only_array_in_c_order(given):
    kept = settled(given)
    assert kept.dtype == np.float64
    assert kept.flags.c_contiguous
    assert not kept.flags.writeable
    np.testing.assert_array_equal(kept, given)


def test_what_is_settled_is_not_copied_again():
    kept = settled([1.0, 2.0])
    assert settled(kept) is kept


def test_the_callers_array_stays_writable_and_the_record_does_not_follow_it():
    mine = np.eye(3)
    kept = settled(mine)
    mine[0, 0] = 5.0
    assert kept[0, 0] == 1.0


def test_a_read_only_view_of_what_others_may_write_to_is_copied():
    mine = np.eye(3)
    view = mine[:2]
    view.setflags(write=False)
    kept = settled(view)
    mine[0, 0] = 5.0
    assert kept[0, 0] == 1.0


def test_a_view_of_what_nobody_can_write_to_is_not_copied():
    whole = settled(np.eye(3))
    row = whole[1]
    assert settled(row) is row
