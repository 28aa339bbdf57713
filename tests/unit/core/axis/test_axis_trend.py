"""Trends: the line by another library, no step taken for drift, and sigmas that hold."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from polewright.core.axis.axis_trend import axis_trend, fit_trend
from polewright.core.axis.stands import AxisSeen, stands_of
from polewright.core.geometry.directions import ARCMIN_RAD
from tests.unit.core.axis.test_placements import Diary


def test_one_spell_of_equal_weights_gives_the_line_of_another_library():
    rng = np.random.default_rng(5)
    times = np.sort(rng.uniform(0.0, 40.0, size=15))
    values = 0.3 * times + rng.normal(size=15)
    found = fit_trend([times], [values], [np.full(15, 1e-3)])
    other = stats.linregress(times, values)
    assert found.rate_rad_per_day == pytest.approx(other.slope, rel=1e-9)
    # The scatter is all but the whole variance, and chi-square equals its expectation.
    t = stats.t.ppf(0.975, 13)
    assert found.wide_rad_per_day == pytest.approx(other.stderr * t, rel=1e-6)
    assert found.degrees_of_freedom == 13
    left = values - other.intercept - other.slope * times
    assert found.scatter_rad**2 + 1e-6 == pytest.approx(left @ left / 13, rel=1e-6)


def test_steps_between_spells_are_no_drift():
    times = [[0.0, 10.0, 20.0], [20.5, 30.0], [31.0, 45.0]]
    values = [
        [0.1 * t + step for t in spell] for spell, step in zip(times, (0, 7, -4), strict=True)
    ]
    found = fit_trend(times, values, [[0.01] * len(spell) for spell in times])
    assert found.rate_rad_per_day == pytest.approx(0.1)
    assert found.degrees_of_freedom == 3
    assert found.scatter_rad == 0.0
    assert found.seen


def test_two_looks_or_one_night_cannot_tell():
    assert fit_trend([[0.0, 9.0]], [[0.0, 1.0]], [[0.1, 0.1]]) is None
    assert fit_trend([[0.0, 0.3, 0.6]], [[0.0, 1.0, 2.0]], [[0.1] * 3]) is None
    assert axis_trend([]) is None


@pytest.mark.parametrize("scatter", [0.0, 3.0])
def test_nineteen_times_in_twenty_the_true_rate_is_inside(scatter):
    """Three spells of five looks; with and without scatter beyond the surveys' sigma."""
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(1500):
        times = [np.sort(rng.uniform(20.0 * k, 20.0 * k + 18.0, size=5)) for k in range(3)]
        sigmas = [rng.uniform(0.5, 1.5, size=5) for _ in times]
        values = [
            0.2 * t + rng.normal(0, 50.0) + rng.normal(size=5) * np.hypot(s, scatter)
            for t, s in zip(times, sigmas, strict=True)
        ]
        found = fit_trend(times, values, sigmas)
        inside += abs(found.rate_rad_per_day - 0.2) <= found.wide_rad_per_day
    # Binomial error 0.6 %; never scaling below the sigma that is known makes it a little wide.
    assert 0.935 <= inside / 1500 <= 0.985


def test_a_pier_that_sinks_is_seen_through_its_adjustments():
    diary = Diary().placed(new=True)
    sunk = 0.0
    for week in range(8):
        diary.seen(10.0 - sunk, 3.0)
        if week % 3 == 0:
            diary.adjusted(10.0, 0.0)
            diary.seen(10.0, 0.0)
            sunk = 0.0
        diary.later(days=7)
        sunk += 1.4
    spells = [spell for stand in stands_of(diary.moments) for spell in stand.spells]
    found = axis_trend(spells)
    assert found.altitude.rate_rad_per_day / ARCMIN_RAD == pytest.approx(-0.2, abs=0.01)
    assert found.altitude.seen
    assert found.azimuth.rate_rad_per_day / ARCMIN_RAD != 0.0


def test_spells_of_two_looks_tell_the_rate_together():
    start = datetime(2026, 11, 1, tzinfo=UTC)
    spells = [
        [
            AxisSeen(
                at=start + timedelta(days=day),
                altitude_rad=ARCMIN_RAD * (0.2 * day + step),
                azimuth_rad=ARCMIN_RAD * (-0.1 * day - step),
                altitude_sigma_rad=0.1 * ARCMIN_RAD,
                azimuth_sigma_rad=0.1 * ARCMIN_RAD,
                altitude_error_rad=0.0,
                azimuth_error_rad=0.0,
                total_error_rad=0.0,
                latitude_deg=47.0,
                longitude_deg=8.0,
            )
            for day in days
        ]
        for days, step in (((0, 10), 0.0), ((11, 20), 5.0), ((21, 33), -3.0))
    ]
    trend = axis_trend(spells)
    assert trend.altitude.rate_rad_per_day == pytest.approx(0.2 * ARCMIN_RAD)
    assert trend.azimuth.rate_rad_per_day == pytest.approx(-0.1 * ARCMIN_RAD)
