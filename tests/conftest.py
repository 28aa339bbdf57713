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


@pytest.fixture(autouse=True)
def _warnings_are_heard() -> None:
    """A command that ran inside an earlier test may have silenced what this one listens for."""
    root = logging.getLogger()
    ours = (one for name, one in root.manager.loggerDict.items() if name.startswith("polewright"))
    for logger in (root, *ours):
        if isinstance(logger, logging.Logger) and logger.level > logging.WARNING:
            logger.setLevel(logging.WARNING)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests come first, and of these the ones that may take longest.

    So no worker is left alone with one of them at the end.
    """
    slow: dict[Path, bool] = defaultdict(bool)
    longest_s: dict[Path, float] = defaultdict(float)
    for item in items:
        slow[item.path] |= item.get_closest_marker("slow") is not None
        limit = item.get_closest_marker("timeout")
        if limit is not None:
            longest_s[item.path] = max(longest_s[item.path], float(limit.args[0]))
    items.sort(key=lambda item: (not slow[item.path], -longest_s[item.path]))
