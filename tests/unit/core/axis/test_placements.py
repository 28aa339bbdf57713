"""Returns to marks: what counts as one, what is expected next, and how often that holds."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from polewright.core.axis.placements import (
    PRIOR_SPREAD_RAD,
    Start,
    expected_start,
    next_value,
    returns_to,
)
from polewright.core.axis.stands import (
    AS_FOUND_WITHIN,
    AxisSeen,
    BoltsFree,
    Placed,
    name_key,
    stands_of,
)
from polewright.core.geometry.directions import ARCMIN_RAD

NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
TERRACE, YARD = (-32.40, 22.70), (47.00, 8.00)


class Diary:
    """Moments in arcminutes about an axis of 32 degrees altitude, pointing south."""

    def __init__(self):
        self.moments = []
        self.at = NIGHT
        self.site = TERRACE

    def later(self, **by):
        self.at += timedelta(**by)
        return self

    def placed(self, name="terrace", new=False):
        self.moments.append(Placed(at=self.at, name=name, new_marks=new))
        return self.later(minutes=10)

    def free(self):
        self.moments.append(BoltsFree(at=self.at))
        return self.later(minutes=1)

    def seen(self, altitude, azimuth, corrected=False):
        self.moments.append(
            AxisSeen(
                at=self.at,
                altitude_rad=np.radians(32.0) + altitude * ARCMIN_RAD,
                azimuth_rad=(np.pi + azimuth * ARCMIN_RAD) % (2.0 * np.pi),
                altitude_sigma_rad=0.1 * ARCMIN_RAD,
                azimuth_sigma_rad=0.1 * ARCMIN_RAD,
                altitude_error_rad=altitude * ARCMIN_RAD,
                azimuth_error_rad=azimuth * ARCMIN_RAD,
                total_error_rad=np.hypot(altitude, azimuth) * ARCMIN_RAD,
                latitude_deg=self.site[0],
                longitude_deg=self.site[1],
                corrected=corrected,
            )
        )
        return self.later(minutes=5)

    def adjusted(self, altitude=0.0, azimuth=0.0):
        return self.free().seen(altitude, azimuth, corrected=True)

    def changes(self, name="terrace"):
        return [
            (
                round(one.change.altitude_rad / ARCMIN_RAD, 6),
                round(one.change.azimuth_rad / ARCMIN_RAD, 6),
            )
            for one in returns_to(name, stands_of(self.moments))
        ]

    def start(self, name="terrace"):
        return expected_start(name, stands_of(self.moments))


@pytest.fixture
def diary():
    """Marks drawn on the first evening, and the axis left 0.5 and -0.2 off there."""
    return Diary().placed(new=True).seen(90.0, -120.0).adjusted(0.5, -0.2).later(days=3)


def test_the_evening_on_which_the_marks_were_drawn_is_no_return(diary):
    assert diary.changes() == []
    assert diary.start() is None


def test_a_return_is_what_changed_since_the_axis_was_left(diary):
    diary.placed().seen(12.5, -8.2)
    assert diary.changes() == [(12.0, -8.0)]


def test_a_survey_after_the_bolts_were_turned_is_not_the_axis_as_found(diary):
    diary.placed().free().seen(3.0, 3.0)
    assert diary.changes() == []
    (_, now) = stands_of(diary.moments)
    assert now.found is None
    assert now.turned is None


def test_a_survey_a_day_later_is_not_the_axis_as_found(diary):
    diary.placed()
    diary.at += AS_FOUND_WITHIN
    diary.seen(12.5, -8.2)
    assert diary.changes() == []


def test_only_the_first_survey_counts_and_case_and_spaces_of_the_name_do_not(diary):
    diary.placed(" Terrace ").seen(12.5, -8.2).seen(13.5, -8.2).adjusted()
    assert diary.changes() == [(12.0, -8.0)]
    assert name_key("  The  TERRACE ") == name_key("the terrace")


def test_what_the_bolts_did_elsewhere_is_added(diary):
    """Left 0.5 high; elsewhere the altitude bolt lowered it by 40, the azimuth bolt went by 30."""
    diary.placed("car park").seen(40.0, -30.0).adjusted(0.0, 0.0).later(days=2)
    diary.placed().seen(0.5 - 40.0 + 7.0, -0.2 + 30.0 + 4.0)
    assert diary.changes() == [(7.0, 4.0)]


def test_another_site_without_a_word_is_another_stand(diary):
    diary.site = YARD
    diary.seen(40.0, -30.0).adjusted(0.0, 0.0).later(days=2)
    diary.site = TERRACE
    diary.placed().seen(0.5 - 40.0 + 7.0, -0.2 + 30.0 + 4.0)
    assert diary.changes() == [(7.0, 4.0)]
    assert [stand.name for stand in stands_of(diary.moments)] == ["terrace", "", "terrace"]


def test_bolts_that_nobody_watched_end_what_is_known_until_the_next_look(diary):
    diary.placed("car park").seen(40.0, -30.0).free().later(days=2)
    assert diary.start() is None
    diary.placed().seen(9.0, 9.0).adjusted(0.1, 0.1).later(days=2)
    assert diary.changes() == []
    diary.placed().seen(2.1, 1.1)
    assert diary.changes() == [(2.0, 1.0)]


def test_new_marks_begin_anew(diary):
    diary.placed().seen(12.5, -8.2).adjusted().later(days=2)
    diary.placed(new=True).seen(5.0, 5.0).adjusted().later(days=2)
    assert diary.changes() == []
    diary.placed().seen(1.0, 2.0)
    assert diary.changes() == [(1.0, 2.0)]


def test_an_evening_without_a_survey_changes_nothing(diary):
    diary.placed().later(days=2)
    diary.placed().seen(12.5, -8.2)
    assert diary.changes() == [(12.0, -8.0)]


def test_azimuths_on_both_sides_of_north_are_neighbours():
    south = Diary().placed(new=True).adjusted(0.0, 10800.0 - 3.0).later(days=1)
    south.placed().seen(0.0, -10800.0 + 4.0)
    assert south.changes() == [(0.0, 7.0)]


def test_the_next_start_is_where_the_axis_was_left_plus_what_returns_change(diary):
    for change in (10.0, 12.0, 14.0):
        diary.placed().seen(0.5 + change, -0.2 - change).adjusted(0.5, -0.2).later(days=2)
    start = diary.start()
    assert isinstance(start, Start)
    assert start.returns == 3
    assert (start.altitude.mean_rad - np.radians(32.0)) / ARCMIN_RAD == pytest.approx(12.5)
    assert (start.azimuth.mean_rad - np.pi) / ARCMIN_RAD == pytest.approx(-12.2)
    assert start.altitude.spread_rad < start.altitude.wide_rad
    assert diary.start("no such marks") is None


def test_one_more_value_by_hand():
    """Values 10, 12, 14: mean 12, squares 8; with the prior's 100 over 3 degrees: 36, x 4/3."""
    found = next_value([10.0 * ARCMIN_RAD, 12.0 * ARCMIN_RAD, 14.0 * ARCMIN_RAD])
    assert found.mean_rad / ARCMIN_RAD == pytest.approx(12.0)
    # t of 0.975 with 3 degrees, from the table: 3.182.
    assert found.wide_rad / ARCMIN_RAD == pytest.approx(3.182 * np.sqrt(36.0 * 4 / 3), rel=2e-4)
    with pytest.raises(ValueError, match="no value"):
        next_value([])


def _coverage(spreads_rad, count, rng):
    """How often one more value is within the two widths, each world with a spread of its own."""
    two, nineteen = 0, 0
    for spread in spreads_rad:
        values = rng.normal(rng.uniform(-1.0, 1.0), spread, size=count + 1)
        found = next_value(list(values[:count]))
        away = abs(values[count] - found.mean_rad)
        two += away <= found.spread_rad
        nineteen += away <= found.wide_rad
    return two / len(spreads_rad), nineteen / len(spreads_rad)


@pytest.mark.parametrize("count", [1, 2, 3, 5, 12])
def test_where_spreads_are_as_believed_beforehand_the_widths_hold_as_often_as_they_say(count):
    """Any mean; the binomial error of 4000 worlds is 0.7 %, and 0.35 %."""
    rng = np.random.default_rng(1000 + count)
    # Scaled inverse chi-square with one degree of freedom.
    spreads = PRIOR_SPREAD_RAD / np.sqrt(rng.chisquare(1, size=4000))
    two, nineteen = _coverage(spreads, count, rng)
    assert two == pytest.approx(0.6827, abs=0.022)
    assert nineteen == pytest.approx(0.95, abs=0.011)


def _coverage_by_integral(arcmin, count, probability):
    """How often the width holds for a known spread: an integral over chi-square, by scipy."""
    prior = (10.0 / arcmin) ** 2
    t = stats.t.ppf(0.5 + 0.5 * probability, count)

    def inside(squares):
        return 2.0 * stats.norm.cdf(t * np.sqrt((prior + squares) / count)) - 1.0

    if count == 1:
        return inside(0.0)
    return stats.chi2.expect(inside, args=(count - 1,))


@pytest.mark.parametrize("arcmin", [2.0, 10.0, 30.0, 60.0])
@pytest.mark.parametrize("count", [1, 2, 5])
def test_for_a_tripod_of_a_known_spread_the_wide_width_holds_as_often_as_the_integral_says(
    arcmin, count
):
    """Far steadier ground than believed: too wide; far worse: a little narrow at first."""
    rng = np.random.default_rng(int(arcmin) * 100 + count)
    _, nineteen = _coverage(np.full(3000, arcmin * ARCMIN_RAD), count, rng)
    assert nineteen == pytest.approx(_coverage_by_integral(arcmin, count, 0.95), abs=0.015)
