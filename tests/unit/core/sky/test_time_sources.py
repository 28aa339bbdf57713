"""Which time holds, and what is said where clocks disagree."""

from datetime import UTC, datetime, timedelta

import pytest

from polewright.core.sky.doubts import Bars, survey_words
from polewright.core.sky.place_sources import Source
from polewright.core.sky.time_sources import TimeReading, choose_time, time_doubts

NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
TERRACE_LONGITUDE_DEG = 22.7


def _host(*, disciplined: bool | None = True, utc: datetime = NIGHT) -> TimeReading:
    return TimeReading(source=Source.HOST, utc=utc, disciplined=disciplined)


def _other(source: Source, ahead_s: float) -> TimeReading:
    return TimeReading(source=source, utc=NIGHT + timedelta(seconds=ahead_s), ahead_s=ahead_s)


def _only_doubt(*readings: TimeReading, wish: Source | None = None):
    (doubt,) = time_doubts(readings, wish, longitude_deg=TERRACE_LONGITUDE_DEG)
    return doubt


def test_a_computer_set_over_the_network_goes_before_a_receiver():
    gps = _other(Source.GPS, 2.0)
    assert choose_time([_host(), gps]).source is Source.HOST
    assert choose_time([_host(disciplined=False), gps]) is gps
    assert choose_time([_host(disciplined=None), gps]) is gps
    assert choose_time([_host(disciplined=False)]).source is Source.HOST


def test_a_receiver_that_tells_its_factory_time_does_not_hold():
    gps = TimeReading(source=Source.GPS, utc=datetime(2006, 8, 1, tzinfo=UTC), ahead_s=-6.4e8)
    assert choose_time([_host(disciplined=False), gps]).source is Source.HOST
    assert choose_time([gps]) is gps


def test_a_choice_in_the_settings_goes_before_all():
    gps = _other(Source.GPS, 2.0)
    assert choose_time([_host(), gps], Source.GPS) is gps
    assert choose_time([_host()], Source.GPS) is None
    assert choose_time([_host(disciplined=False), gps], Source.HOST).source is Source.HOST


def test_the_mounts_clock_never_holds():
    mount = _other(Source.MOUNT, 3.0)
    assert choose_time([mount, _host(disciplined=False)]).source is Source.HOST


def test_clocks_that_agree_say_nothing():
    assert time_doubts([_host(), _other(Source.GPS, 1.0), _other(Source.MOUNT, -4.0)]) == ()


def test_a_lonely_unkept_clock_is_told_but_forbids_nothing():
    doubt = _only_doubt(_host(disciplined=False))
    assert doubt.code == "clock_unconfirmed"
    assert doubt.bars is Bars.NOTHING


def test_a_mount_that_agrees_confirms_an_unkept_clock():
    assert time_doubts([_host(disciplined=False), _other(Source.MOUNT, 12.0)]) == ()


@pytest.mark.parametrize(
    ("ahead_s", "code"),
    [
        (7200.0, "time_zone"),  # UTC+2 taken for UTC
        (7237.0, "time_zone"),
        (-7200.0, "time_zone"),  # taken off twice
        (-3 * 3600.0, "time_zone"),
        (5.5 * 3600.0, "time_zone"),
        (5.75 * 3600.0, "clocks_differ"),  # a quarter hour that no zone near here has
        (2.4 * 3600.0, "clocks_differ"),
        (400.0, "clocks_differ"),
        (10 * 86400.0, "wrong_date"),
    ],
)
def test_a_time_zone_taken_for_utc_is_named(ahead_s, code):
    assert _only_doubt(_host(), _other(Source.MOUNT, ahead_s)).code == code


def test_local_time_taken_for_utc_says_so_where_the_longitude_makes_it_plausible():
    assert "local time was taken for UTC" in _only_doubt(_host(), _other(Source.MOUNT, 7200.0)).text
    assert "twice" in _only_doubt(_host(), _other(Source.MOUNT, -7200.0)).text
    assert "local time" not in _only_doubt(_host(), _other(Source.MOUNT, 9 * 3600.0)).text


def test_two_good_clocks_that_disagree_forbid_motion_until_a_person_says_which_holds():
    gps = _other(Source.GPS, 7200.0)
    assert _only_doubt(_host(), gps).bars is Bars.ALWAYS
    assert "30 deg" in _only_doubt(_host(), gps).consequence
    assert _only_doubt(_host(), gps, wish=Source.GPS).bars is Bars.NOTHING


def test_a_mounts_wrong_clock_forbids_motion_by_day():
    doubt = _only_doubt(_host(), _other(Source.MOUNT, 7200.0))
    assert doubt.bars is Bars.BY_DAY
    assert "write_to_mount" in doubt.remedy


def test_minutes_forbid_nothing():
    assert _only_doubt(_host(), _other(Source.GPS, 600.0)).bars is Bars.NOTHING
    assert _only_doubt(_host(), _other(Source.GPS, 900.0)).bars is Bars.ALWAYS


def test_a_clock_that_was_never_set_forbids_all_motion():
    doubt = _only_doubt(_host(disciplined=False, utc=datetime(1970, 1, 1, tzinfo=UTC)))
    assert doubt.code == "clock_never_set"
    assert doubt.bars is Bars.ALWAYS


@pytest.mark.parametrize(
    ("clock_s", "said"), [(1.0, "does not feel"), (10.0, "3 arcsec"), (60.0, "16 arcsec")]
)
def test_the_survey_errs_by_a_quarter_arcsecond_per_second_and_degree(clock_s, said):
    """Source: 15.041 arcsec per second of time, times the sine of one degree: 0.2625 arcsec."""
    assert said in survey_words(clock_s * 15.041067 / 3600.0)
