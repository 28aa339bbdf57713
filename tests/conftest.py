"""What the whole suite shares: compiled modules are kept, and the long files come first."""

import logging
import os
import signal
import sys
from collections import defaultdict
from pathlib import Path

import pytest

# The suite starts some hundreds of processes. Where the environment forbids compiled modules,
# each would compile all of astropy and the service anew: most of what it costs.
if os.environ.pop("PYTHONDONTWRITEBYTECODE", None):
    os.environ.setdefault("PYTHONPYCACHEPREFIX", str(Path(sys.prefix) / "bytecode"))
    sys.dont_write_bytecode = False
    sys.pycache_prefix = os.environ["PYTHONPYCACHEPREFIX"]

# A shell starts what it puts into the background with Ctrl-C ignored, and programs that the tests
# start would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# The last slow file begins when so much of the others has been handed out.
_SLOW_WITHIN = 0.9


@pytest.fixture(autouse=True)
def _warnings_are_heard() -> None:
    """A command that ran inside an earlier test may have silenced what this one listens for."""
    root = logging.getLogger()
    ours = (one for name, one in root.manager.loggerDict.items() if name.startswith("polewright"))
    for logger in (root, *ours):
        if isinstance(logger, logging.Logger) and logger.level > logging.WARNING:
            logger.setLevel(logging.WARNING)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests in order of the longest that they may take, the others spread between.

    So no worker is left alone with a long file at the end.  Slow tests mostly wait for exposures,
    motors and time limits, the others calculate: side by side they keep the processor busy.
    """
    slow: dict[Path, bool] = defaultdict(bool)
    longest_s: dict[Path, float] = defaultdict(float)
    for item in items:
        slow[item.path] |= item.get_closest_marker("slow") is not None
        limit = item.get_closest_marker("timeout")
        if limit is not None:
            longest_s[item.path] = max(longest_s[item.path], float(limit.args[0]))
    place: dict[Path, float] = {}
    for is_slow in (True, False):
        files = [path for path in slow if slow[path] is is_slow]
        files.sort(key=lambda path: -longest_s[path])
        # The slow ones end a little before the others do.
        share = _SLOW_WITHIN if is_slow else 1.0
        place |= {path: share * (rank + 0.5) / len(files) for rank, path in enumerate(files)}
    items.sort(key=lambda item: place[item.path])
