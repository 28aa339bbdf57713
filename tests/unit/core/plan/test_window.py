"""Windows: the clock's hours fall where a person means them, and the night where the Sun is low."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.errors import UsageError
from polewright.core.plan.window import ClockHours, Window, night_of, read_window
from polewright.core.sky.place import Place

TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)
YARD = Place(latitude_deg=47.0, longitude_deg=8.0, elevation_m=450.0)
LOCAL = timezone(timedelta(hours=2))


@pytest.mark.parametrize(
    ("now", "start", "end"),
    [
        ((25, 15, 0), (25, 21, 30), (26, 2, 0)),  # in the afternoon: tonight
        ((25, 23, 0), (25, 21, 30), (26, 2, 0)),  # within it: the one that goes on
        ((26, 1, 59), (25, 21, 30), (26, 2, 0)),  # after midnight still
        ((26, 2, 0), (26, 21, 30), (27, 2, 0)),  # at its end: the next one
    ],
)
def test_hours_mean_the_window_that_goes_on_or_comes_next(now, start, end):
    hours = read_window("21:30", "02:00")
    window = hours.window(datetime(2026, 11, *now, tzinfo=LOCAL), LOCAL)
    assert window.start == datetime(2026, 11, *start, tzinfo=LOCAL)
    assert window.end == datetime(2026, 11, *end, tzinfo=LOCAL)


def test_a_z_behind_means_utc():
    window = read_window("19:30Z", "02:00").window(datetime(2026, 11, 25, 12, tzinfo=UTC), LOCAL)
    assert window.start == datetime(2026, 11, 25, 19, 30, tzinfo=UTC)
    assert window.end == datetime(2026, 11, 26, 0, 0, tzinfo=UTC)


def test_the_clock_may_be_put_back_in_the_window():
    """Berlin leaves summer time on 25 October 2026 at 3:00: 22:00 to 4:00 lasts seven hours."""
    berlin = ZoneInfo("Europe/Berlin")
    window = read_window("22:00", "04:00").window(datetime(2026, 10, 24, 12, tzinfo=UTC), berlin)
    assert window.end - window.start == timedelta(hours=7)


def test_instants_stand_as_they_are():
    window = read_window("2026-11-25T21:30+02:00", "2026-11-26T00:00:00Z")
    assert window == Window(
        start=datetime(2026, 11, 25, 19, 30, tzinfo=UTC), end=datetime(2026, 11, 26, tzinfo=UTC)
    )


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("21:30", "2026-11-26T00:00:00Z"),
        ("24:00", "02:00"),
        ("21:60", "02:00"),
        ("2026-11-25T21:30", "2026-11-26T00:00"),
        ("2026-11-25T21:30Z", "2026-11-25T20:30Z"),
        ("2026-11-25T21:30Z", "2026-11-26T21:30Z"),
        ("soon", "later"),
        ("0001-01-01T00:00+14:00", "0001-01-01T02:00+14:00"),
        ("9999-12-31T23:00-12:00", "9999-12-31T23:59-12:00"),
    ],
)
def test_what_is_no_window_is_refused(start, end):
    with pytest.raises(UsageError) as caught:
        read_window(start, end)
    assert caught.value.code == "bad_window"


@given(
    start=st.integers(0, 1439), length=st.integers(1, 840),
    minute=st.integers(0, 3 * 1440), offset=st.integers(-11, 13),
)  # fmt: skip
def test_hours_always_end_in_the_future_and_never_skip_a_day(start, length, minute, offset):
    zone = timezone(timedelta(hours=offset))
    now = datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=minute)
    hours = ClockHours(start_min=start, end_min=(start + length) % 1440)
    window = hours.window(now, zone)
    assert window.end - window.start == timedelta(minutes=length)
    assert now < window.end <= now + timedelta(days=1)
    assert window.start.astimezone(zone).hour * 60 + window.start.astimezone(zone).minute == start
    # The same window as long as it lasts.
    assert hours.window(window.end - timedelta(seconds=1), zone) == window


def _sun_deg(place, instant):
    where = EarthLocation(lat=place.latitude_deg, lon=place.longitude_deg, height=place.elevation_m)
    time = Time(instant)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        return float(get_sun(time).transform_to(AltAz(obstime=time, location=where)).alt.deg)


@pytest.mark.parametrize("place", [TERRACE, YARD], ids=["south", "north"])
@pytest.mark.parametrize("hour", [0, 6, 12, 18])
def test_the_night_begins_and_ends_with_the_sun_18_deg_down_by_astropy(place, hour):
    now = datetime(2026, 11, 25, hour, 0, tzinfo=UTC)
    night = night_of(place, now)
    assert night.sun_deg == -18.0
    assert night.window.end > now
    assert night.window.start < now + timedelta(hours=24)
    for edge in (night.window.start, night.window.end):
        assert _sun_deg(place, edge) == pytest.approx(-18.0, abs=0.01)
    middle = night.window.start + (night.window.end - night.window.start) / 2
    assert _sun_deg(place, middle) < -18.0


def test_where_it_does_not_get_astronomically_dark_the_night_is_nautical():
    """Juniper Yard moved to 54 deg north: at midsummer the Sun stays within 12.6 deg."""
    night = night_of(
        Place(latitude_deg=54.0, longitude_deg=8.0), datetime(2026, 6, 21, 12, tzinfo=UTC)
    )
    assert night.sun_deg == -12.0
    assert night.window.end - night.window.start < timedelta(hours=3)


@pytest.mark.parametrize("latitude", [65.0, 80.0])
def test_where_there_is_no_night_that_is_said(latitude):
    with pytest.raises(UsageError) as caught:
        night_of(
            Place(latitude_deg=latitude, longitude_deg=8.0), datetime(2026, 6, 21, 12, tzinfo=UTC)
        )
    assert caught.value.code == "no_night"


def test_instants_of_a_window_reach_from_end_to_end():
    window = Window(
        start=datetime(2026, 11, 25, 20, tzinfo=UTC), end=datetime(2026, 11, 25, 20, 25, tzinfo=UTC)
    )
    instants = window.instants(timedelta(minutes=10))
    assert (instants[0], instants[-1]) == (window.start, window.end)
    assert len(instants) == 4


def test_the_night_that_comes_next_is_taken_though_the_one_after_it_gets_darker():
    """At 49.5 N the first nights after midsummer that get astronomically dark come on 8 July."""
    place = Place(latitude_deg=49.5, longitude_deg=8.0, elevation_m=100.0)
    evening = datetime(2026, 7, 6, 18, 0, tzinfo=UTC)
    night = night_of(place, evening)
    assert night.sun_deg == -12.0
    assert night.window.start - evening < timedelta(hours=5)
    assert _sun_deg(place, night.window.start) == pytest.approx(-12.0, abs=0.05)


@pytest.mark.parametrize("minutes", [-1, 1, 60])
def test_after_the_last_dark_minute_the_next_evenings_night_is_meant(minutes):
    place = Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0)
    night = night_of(place, datetime(2026, 11, 25, 20, 0, tzinfo=UTC)).window
    found = night_of(place, night.end + timedelta(minutes=minutes)).window
    if minutes < 0:
        assert abs(found.start - night.start) < timedelta(seconds=5)
    else:
        assert timedelta(hours=23) < found.start - night.start < timedelta(hours=25)
