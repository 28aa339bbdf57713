"""The interlocks refuse what could hurt, and nothing gets round them."""

import asyncio
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.errors import PolewrightError, SafetyError
from polewright.core.geometry.directions import altaz_from_enu, angle_between
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.sun import sun_enu
from polewright.session.limits import SafetyLimits
from polewright.session.safety import GuardedMount
from tests.session.ports_in_memory import TERRACE, MemoryMount, VirtualClock


def enu_from_hour_angle(hour_angle, declination_deg, instant, place):
    """Where the sky shows an hour angle and declination (deg): by ERFA, the air included."""
    right_ascension = math.radians(right_ascension_deg(hour_angle, instant, place))
    moment = ObservingMoment.at(place, instant)
    return moment.enu_from_of_date(right_ascension, math.radians(declination_deg))


NOON = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def _guarded(clock=None, limits=None, *, clear=True, **mount):
    clock = clock or VirtualClock()
    inner = MemoryMount(clock, **mount)
    guarded = GuardedMount(inner, TERRACE, clock, limits or SafetyLimits())
    if clear:
        guarded.confirm_clear()
    return guarded, inner


async def test_nothing_moves_before_the_mount_is_confirmed_clear():
    guarded, inner = _guarded(clear=False)
    with pytest.raises(SafetyError) as caught:
        await guarded.turn_to(40.0, -70.0)
    assert caught.value.code == "not_confirmed_clear"
    assert inner.slews == []


async def test_a_parked_mount_does_not_move():
    guarded, inner = _guarded(parked=True)
    with pytest.raises(SafetyError) as caught:
        await guarded.turn_to(40.0, -70.0)
    assert caught.value.code == "parked"
    assert inner.slews == []


async def test_a_safe_turn_reaches_its_place():
    guarded, inner = _guarded()
    await guarded.turn_to(50.0, -70.0)
    assert inner.slews == [(pytest.approx(50.0, abs=0.01), -70.0)]


async def test_a_low_target_is_refused():
    guarded, inner = _guarded()
    with pytest.raises(SafetyError) as caught:
        await guarded.turn_to(80.0, 40.0)
    assert caught.value.code == "altitude_floor"
    assert inner.slews == []


async def test_the_hour_angle_limits_hold():
    guarded, inner = _guarded()
    with pytest.raises(SafetyError) as caught:
        await guarded.turn_to(100.0, -80.0)
    assert caught.value.code == "hour_angle_limit"
    assert inner.slews == []


async def test_a_way_across_the_sun_is_refused_though_both_ends_are_far_from_it():
    clock = VirtualClock(NOON)
    sun_ha = _sun_hour_angle(clock.now())
    guarded, inner = _guarded(clock, hour_angle=sun_ha - 45.0, declination=-20.0)
    with pytest.raises(SafetyError) as caught:
        await guarded.turn_to(sun_ha + 45.0, -20.0)
    assert caught.value.code == "sun"
    assert inner.slews == []


async def test_an_abort_is_never_refused():
    guarded, inner = _guarded(clear=False, parked=True)
    await guarded.abort()
    assert inner.aborted == 1


def _sun_hour_angle(now: datetime) -> float:
    """Nearest whole degree of hour angle at which declination -20 comes closest to the Sun."""
    sun = sun_enu(TERRACE, now)
    return min(
        range(-90, 91),
        key=lambda ha: angle_between(enu_from_hour_angle(ha, -20.0, now, TERRACE), sun),
    )


@given(
    hours=st.floats(0, 24),
    turns=st.lists(
        st.tuples(st.floats(-120, 120), st.floats(-90, 60), st.booleans(), st.booleans()),
        min_size=1,
        max_size=6,
    ),
)
@settings(max_examples=60, deadline=None)
def test_no_sequence_of_commands_ends_or_passes_where_it_must_not(hours, turns):
    """Whatever is asked, with or without confirmation, parked or not: a slew that was let
    through kept to the limits, on the straight way between its ends as well."""
    clock = VirtualClock(NOON + timedelta(hours=hours))
    limits = SafetyLimits()
    guarded, inner = _guarded(clock, clear=False, hour_angle=10.0, declination=-60.0)

    async def play() -> None:
        for ha, dec, confirm, park in turns:
            if confirm:
                guarded.confirm_clear()
            inner.parked = park
            before = (inner.hour_angle, inner.declination, len(inner.slews))
            try:
                await guarded.turn_to(ha, dec)
            except PolewrightError:
                assert len(inner.slews) == before[2]
                continue
            assert guarded.clear_to_move
            assert not park
            _assert_way_is_safe(before, (ha, dec), clock.now(), limits)

    asyncio.run(play())


def _assert_way_is_safe(before, after, now, limits) -> None:
    start_altitude = None
    for part in np.linspace(0, 1, 12):
        ha = before[0] + part * (after[0] - before[0])
        dec = before[1] + part * (after[1] - before[1])
        direction = enu_from_hour_angle(float(ha), float(dec), now, TERRACE)
        altitude = math.degrees(altaz_from_enu(direction)[0])
        start_altitude = altitude if start_altitude is None else start_altitude
        assert altitude > min(limits.altitude_floor_deg, start_altitude) - 0.5
        sun = sun_enu(TERRACE, now)
        if math.degrees(altaz_from_enu(sun)[0]) > 0:
            assert math.degrees(angle_between(direction, sun)) > limits.sun_cone_deg
    assert limits.hour_angle_min_deg <= after[0] <= limits.hour_angle_max_deg
