"""Survey plans keep their limits, turn one way and stay on one side."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.axis.plan import plan_sweep, widest_gap
from polewright.core.errors import MeasurementError


@given(
    now=st.floats(-180, 180),
    sweep=st.floats(15, 80),
    frames=st.integers(3, 8),
    low=st.floats(-170, -85),
    high=st.floats(85, 170),
    cross=st.booleans(),
)
def test_a_plan_keeps_the_limits_and_the_side_and_turns_one_way(
    now, sweep, frames, low, high, cross
):
    plan = plan_sweep(
        now,
        sweep_deg=sweep,
        frames=frames,
        hour_angle_min_deg=low,
        hour_angle_max_deg=high,
        meridian_margin_deg=2.0,
        cross_meridian=cross,
    )
    angles = np.array(plan.hour_angles_deg)
    assert len(angles) == frames
    assert plan.sweep_deg == pytest.approx(sweep)
    assert low - 1e-9 <= angles.min()
    assert angles.max() <= high + 1e-9
    assert np.all(np.diff(angles) > 0) or np.all(np.diff(angles) < 0)
    if not cross:
        assert np.all(angles <= -2.0 + 1e-9) or np.all(angles >= 2.0 - 1e-9)
        assert (angles[0] < 0) == (now < 0)


@given(now=st.floats(-80, 80))
def test_a_plan_starts_where_the_mount_is_whenever_the_sweep_fits_from_there(now):
    plan = plan_sweep(
        now, sweep_deg=20, frames=3, hour_angle_min_deg=-85, hour_angle_max_deg=85,
        meridian_margin_deg=2.0,
    )  # fmt: skip
    if abs(now) >= 2.0:
        room = max(85 - abs(now), abs(now) - 2.0)
        if room >= 20:
            assert plan.hour_angles_deg[0] == pytest.approx(now)


def test_limits_without_room_are_told():
    with pytest.raises(MeasurementError) as caught:
        plan_sweep(
            10.0, sweep_deg=60, frames=3, hour_angle_min_deg=-5, hour_angle_max_deg=12,
            meridian_margin_deg=2.0,
        )  # fmt: skip
    assert caught.value.code == "no_room"


@given(places=st.lists(st.floats(-90, 90), min_size=2, max_size=8, unique=True))
def test_the_next_look_is_as_far_from_every_look_as_one_between_them_can_be(places):
    there = widest_gap(places)
    gaps = np.diff(np.sort(places))
    assert min(abs(there - one) for one in places) == pytest.approx(gaps.max() / 2.0, abs=1e-9)
    assert min(places) < there < max(places)
