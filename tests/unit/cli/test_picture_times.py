"""Times of pictures by options: what is taken, and what is refused."""

from argparse import Namespace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from polewright.cli.picture_times import times_of
from polewright.core.errors import UsageError

FILES = [Path("a.png"), Path("two words.png")]
NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def asked(*, start=None, every=None, times=None):
    return Namespace(start=start, every=every, times=times)


def test_steps_go_in_the_order_of_the_files_and_a_zone_is_understood():
    found = times_of(FILES, asked(start="2026-11-25T22:00:00+02:00", every=90.0))
    assert found[FILES[0]] == NIGHT
    assert (found[FILES[1]] - NIGHT).total_seconds() == 90.0
    assert times_of(FILES, asked()) == {}


def test_a_list_names_files_with_blanks_and_may_leave_some_out(tmp_path):
    listed = tmp_path / "times.txt"
    listed.write_text("# began\n\ntwo words.png 2026-11-25T20:00:00Z  # by the phone's clock\n")
    assert times_of(FILES, asked(times=listed)) == {FILES[1]: NIGHT}


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (asked(start="2026-11-25T20:00:00", every=1.0), "no time with its zone"),
        (asked(start="soon", every=1.0), "no time with its zone"),
        (asked(start="0001-01-01T00:00:00+14:00", every=1.0), "no time with its zone"),
        (asked(start="2026-11-25T20:00:00Z"), "belong together"),
        (asked(every=60.0), "belong together"),
        (asked(start="2026-11-25T20:00:00Z", every=-1.0), "outside 0 to 86400"),
        (asked(start="2026-11-25T20:00:00Z", every=float("nan")), "outside 0 to 86400"),
        (asked(start="2026-11-25T20:00:00Z", times=Path("x")), "do not go together"),
        (asked(times=Path("nowhere.txt")), "cannot be read"),
    ],
)
def test_what_is_refused(options, says):
    with pytest.raises(UsageError, match=says):
        times_of(FILES, options)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("c.png 2026-11-25T20:00:00Z", "line 1: 'c.png' is none of the pictures"),
        ("a.png 2026-11-25T20:00:00", "no time with its zone"),
        ("a.png", "is none of the pictures"),
    ],
)
def test_a_line_that_says_nothing_is_named(tmp_path, line, says):
    listed = tmp_path / "times.txt"
    listed.write_text(line + "\n")
    with pytest.raises(UsageError, match=says):
        times_of(FILES, asked(times=listed))
