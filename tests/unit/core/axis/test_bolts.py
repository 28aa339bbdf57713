"""The two bolts bring the axis to its target by exact turns, on level and on tilted bases."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.axis.bolts import (
    Bolts,
    BoltTurns,
    bent_bolts,
    level_bolts,
    rotation_of,
    split_rotation,
    turns_between,
)
from polewright.core.geometry.directions import ARCSEC_RAD, altaz_from_enu, angle_between, unit
from polewright.core.geometry.rotations import rotation_about
from tests.unit.core.axis.skies import axis_at


@given(
    altitude=st.floats(5, 75),
    azimuth=st.floats(0, 360),
    up=st.floats(-8, 8),
    around=st.floats(-15, 15),
)
@settings(max_examples=80, deadline=None)
def test_on_a_level_base_the_turns_are_the_differences_in_altitude_and_azimuth(
    altitude, azimuth, up, around
):
    axis = axis_at(altitude, azimuth)
    target = axis_at(altitude + up, azimuth + around)
    turns = turns_between(level_bolts(axis), axis, target)
    assert turns.altitude_rad == pytest.approx(np.radians(up), abs=1e-9)
    assert turns.azimuth_rad == pytest.approx(np.radians(around), abs=1e-9)


@given(
    altitude=st.floats(10, 70),
    azimuth=st.floats(0, 360),
    bends=st.lists(st.floats(-0.1, 0.1), min_size=4, max_size=4),
    up=st.floats(-6, 6),
    around=st.floats(-6, 6),
)
@settings(max_examples=80, deadline=None)
def test_the_turns_lead_to_the_target_whatever_the_base(altitude, azimuth, bends, up, around):
    axis = axis_at(altitude, azimuth)
    target = axis_at(altitude + up, azimuth + around)
    bolts = bent_bolts(axis, np.array(bends))
    turns = turns_between(bolts, axis, target)
    assert angle_between(rotation_of(bolts, turns) @ axis, target) < 1e-6 * ARCSEC_RAD


def test_a_tilted_base_makes_an_azimuth_turn_lift_the_axis():
    """Leaning 3 deg to the right: 60 arcmin of azimuth change altitude by about 60 sin(3 deg)."""
    axis = axis_at(35, 0)
    vertical = rotation_about(np.array([0.0, 1.0, 0.0]), np.radians(3.0)) @ [0.0, 0.0, 1.0]
    bolts = Bolts(azimuth_enu=-vertical, altitude_enu=unit(np.cross(axis, vertical)))
    moved = rotation_of(bolts, BoltTurns(azimuth_rad=np.radians(1.0), altitude_rad=0.0)) @ axis
    lifted_arcmin = 60.0 * np.degrees(altaz_from_enu(moved)[0] - np.radians(35.0))
    assert abs(lifted_arcmin) == pytest.approx(60.0 * np.sin(np.radians(3.0)), rel=0.15)


@given(azimuth=st.floats(-0.05, 0.05), altitude=st.floats(-0.05, 0.05), rest=st.floats(-0.01, 0.01))
@settings(max_examples=50, deadline=None)
def test_a_rotation_is_split_into_what_it_was_made_of(azimuth, altitude, rest):
    axis = axis_at(-1.0 + 40, 181)
    bolts = bent_bolts(axis, np.array([0.03, -0.02, 0.04, 0.01]))
    third = np.array([0.1, -0.9, 0.2]) / np.linalg.norm([0.1, -0.9, 0.2])
    turns = BoltTurns(azimuth_rad=azimuth, altitude_rad=altitude)
    made = rotation_of(bolts, turns) @ rotation_about(third, rest)
    found, left = split_rotation(bolts, made, third)
    assert found.azimuth_rad == pytest.approx(azimuth, abs=1e-11)
    assert found.altitude_rad == pytest.approx(altitude, abs=1e-11)
    assert left == pytest.approx(rest, abs=1e-11)
