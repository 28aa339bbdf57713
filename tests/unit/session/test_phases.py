"""The phase table has no dead ends, and a stop is possible from everywhere."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.errors import UsageError
from polewright.session.phases import TRANSITIONS, Happening, Phase, advance


def test_every_phase_is_in_the_table_and_every_way_leads_to_a_phase_in_it():
    assert set(TRANSITIONS) == set(Phase)
    for ways in TRANSITIONS.values():
        assert set(ways.values()) <= set(Phase)


@pytest.mark.parametrize("phase", list(Phase))
def test_a_stop_leads_to_idle_from_every_phase(phase):
    assert advance(phase, Happening.STOPPED) is Phase.IDLE


@pytest.mark.parametrize("phase", list(Phase))
def test_trouble_is_shown_from_every_phase_that_can_have_it(phase):
    assert phase is Phase.BLOCKED or advance(phase, Happening.TROUBLE) is Phase.BLOCKED


@given(st.lists(st.sampled_from(list(Happening)), max_size=30))
def test_two_workflows_never_run_at_once(happenings):
    """A new workflow starts only from a phase that runs none (or only watches)."""
    phase = Phase.IDLE
    for happening in happenings:
        try:
            following = advance(phase, happening)
        except UsageError as refusal:
            assert refusal.code == "busy"  # noqa: PT017
            continue
        if happening.value.endswith("asked"):
            assert phase in {Phase.IDLE, Phase.BLOCKED, Phase.WATCHING}
        phase = following
