"""Where memory is short the frame fails, and not the process with it."""

import subprocess
import sys

import pytest

# An address space of what the process has and so many bytes more, after one frame was measured.
_FIND = """
import resource, sys
import numpy as np
from polewright.app.memory import give_frames_back
from polewright.core.imaging.finding import find_stars
from polewright.core.imaging.frame import Frame
give_frames_back()
rng = np.random.default_rng(1)
pixels = rng.normal(1000.0, 20.0, (480, 640)).astype(np.uint16)
for row, column in rng.integers(10, 470, (40, 2)):
    pixels[row - 1 : row + 2, column - 1 : column + 2] += 5000
frame = Frame(pixels=pixels)
before = len(find_stars(frame))
with open("/proc/self/statm") as file:
    taken = int(file.read().split()[0]) * resource.getpagesize()
hard = resource.getrlimit(resource.RLIMIT_AS)[1]
resource.setrlimit(resource.RLIMIT_AS, (taken + int(sys.argv[1]), hard))
try:
    outcome = "found" if len(find_stars(frame)) == before else "other stars"
except MemoryError:
    outcome = "no memory"
resource.setrlimit(resource.RLIMIT_AS, (hard, hard))
print(outcome, len(find_stars(frame)) == before)
"""


@pytest.mark.parametrize("spare", [300_000, 1_000_000, 3_000_000])
def test_a_frame_without_room_is_refused_and_the_next_one_is_found(spare):
    ended = subprocess.run(
        [sys.executable, "-c", _FIND, str(spare)], capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.split() in (["no", "memory", "True"], ["found", "True"])
    if spare < 2_000_000:
        assert ended.stdout.startswith("no memory")
