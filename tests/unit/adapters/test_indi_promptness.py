"""How long a frame is waited for, once some have come."""

import pytest

from polewright.adapters.indi.patience import Promptness


def test_a_camera_of_which_nothing_is_known_has_all_the_time():
    assert Promptness().bound_s(32.4) == 32.4


@pytest.mark.parametrize(
    ("came_s", "bound_s"),
    [((0.1, 0.3, 0.2), 5.0), ((0.1, 4.0, 0.2), 16.0), ((20.0,), 32.4), ((-0.02,), 5.0)],
)
def test_a_camera_that_was_prompt_is_given_up_sooner(came_s, bound_s):
    promptness = Promptness()
    for late_s in came_s:
        promptness.came(late_s)
    assert promptness.bound_s(32.4) == bound_s


def test_a_shorter_patience_than_that_stays():
    promptness = Promptness()
    promptness.came(0.1)
    assert promptness.bound_s(1.0) == 1.0
