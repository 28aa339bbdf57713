"""Which place holds, and what is said where sources disagree."""

import math
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.geometry.directions import angle_between
from polewright.core.sky.doubts import Bars
from polewright.core.sky.place import Place
from polewright.core.sky.place_sources import (
    PlaceReading,
    Source,
    choose_place,
    frame_turn_deg,
    place_doubts,
)
from polewright.core.sky.sun import sun_enu

NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def _reading(source: Source, latitude_deg: float, longitude_deg: float) -> PlaceReading:
    return PlaceReading(
        source=source, place=Place(latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    )


TERRACE = _reading(Source.SETTINGS, -32.40, 22.70)


def _only_doubt(*readings: PlaceReading):
    (doubt,) = place_doubts(readings)
    return doubt


def test_the_settings_go_before_the_receiver_and_the_receiver_before_the_mount():
    gps, mount = _reading(Source.GPS, -32.4, 22.7), _reading(Source.MOUNT, 47.0, 8.0)
    assert choose_place([mount, gps, TERRACE]) is TERRACE
    assert choose_place([mount, gps]) is gps
    assert choose_place([mount]) is mount
    assert choose_place([]) is None


def test_a_default_of_zero_is_nobodys_place():
    default, mount = _reading(Source.SETTINGS, 0.0, 0.0), _reading(Source.MOUNT, 47.0, 8.0)
    assert choose_place([default]) is None
    assert choose_place([default, mount]) is mount
    assert _only_doubt(default, mount).code == "site_never_set"


def test_a_mount_that_was_never_told_its_site_may_not_move_by_day():
    doubt = _only_doubt(TERRACE, PlaceReading(source=Source.MOUNT, place=None))
    assert doubt.code == "site_never_set"
    assert doubt.bars is Bars.BY_DAY
    assert "write_to_mount" in doubt.remedy
    assert doubt.text == "the mount holds no site"


def test_a_default_of_a_mount_is_told_as_the_place_that_it_is():
    doubt = _only_doubt(TERRACE, _reading(Source.MOUNT, 0.0, 0.0))
    assert doubt.text == "the mount holds 0 deg, 0 deg, where nobody sets up: a default"


def test_a_receiver_without_a_fix_is_no_contradiction():
    assert place_doubts([TERRACE, PlaceReading(source=Source.GPS, place=None)]) == ()


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "code"),
    [
        (32.40, 22.70, "wrong_hemisphere"),
        (32.40, -22.70, "wrong_hemisphere"),
        (-32.40, -22.70, "longitude_sign"),
        (-32.40, 337.30, "longitude_sign"),
        (22.70, -32.40, "swapped"),
        (47.0, 8.0, "wrong_hemisphere"),
        (-33.9, 25.6, "places_differ"),
    ],
)
def test_the_slips_that_people_make_are_named(latitude_deg, longitude_deg, code):
    doubt = _only_doubt(TERRACE, _reading(Source.GPS, latitude_deg, longitude_deg))
    assert doubt.code == code
    assert doubt.remedy
    assert "survey" in doubt.consequence


def test_a_slip_between_settings_and_receiver_forbids_motion_until_it_is_settled():
    doubt = _only_doubt(TERRACE, _reading(Source.GPS, -32.40, -22.70))
    assert doubt.bars is Bars.ALWAYS
    assert "motion is refused until it is settled" in doubt.consequence


def test_a_mount_elsewhere_forbids_motion_by_day_and_in_the_other_hemisphere_always():
    assert _only_doubt(TERRACE, _reading(Source.MOUNT, -32.4, -22.7)).bars is Bars.BY_DAY
    assert _only_doubt(TERRACE, _reading(Source.MOUNT, 32.4, 22.7)).bars is Bars.ALWAYS


def test_places_of_one_region_forbid_nothing():
    assert place_doubts([TERRACE, _reading(Source.GPS, -32.41, 22.72)]) == ()
    assert place_doubts([TERRACE, _reading(Source.GPS, -32.9, 22.9)]) == ()
    assert _only_doubt(TERRACE, _reading(Source.GPS, -31.0, 21.5)).bars is Bars.NOTHING


def test_longitudes_count_round_the_globe():
    east = _reading(Source.SETTINGS, -17.0, 179.98)
    assert place_doubts([east, _reading(Source.GPS, -17.0, -179.99)]) == ()
    assert place_doubts([TERRACE, _reading(Source.GPS, -32.40, 22.70 - 360.0)]) == ()


LATITUDES, LONGITUDES = st.floats(-89.0, 89.0), st.floats(-180.0, 180.0)


@given(
    here=st.tuples(LATITUDES, LONGITUDES), there=st.tuples(LATITUDES, LONGITUDES),
    hours=st.floats(0, 24),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_the_sun_is_never_wrong_by_more_than_was_said(here, there, hours):
    """Without the air, which bends by 0.6 deg near the horizon."""
    places = [
        Place(latitude_deg=lat, longitude_deg=lon, pressure_hpa=0.0) for lat, lon in (here, there)
    ]
    suns = [sun_enu(place, NIGHT + timedelta(hours=hours)) for place in places]
    wrong_deg = math.degrees(angle_between(*suns))
    assert wrong_deg <= frame_turn_deg(*places) + 0.01  # the Sun's parallax is under 9 arcsec
