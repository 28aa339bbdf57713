"""What only the full run does: ``POLEWRIGHT_FULL=1 ./run test``.

Each of these has a smaller sibling that asserts the same law in the usual run.
"""

import os

import pytest

FULL = os.environ.get("POLEWRIGHT_FULL") == "1"
in_full = pytest.mark.skipif(not FULL, reason="set POLEWRIGHT_FULL=1 for the long run")


def trials(usual: int, full: int) -> int:
    """Return how many trials of the same law to make."""
    return full if FULL else usual
