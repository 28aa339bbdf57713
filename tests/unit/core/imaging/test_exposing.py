"""What a frame says of its exposure."""

import numpy as np
import pytest

from polewright.core.imaging.exposing import ENOUGH_STARS, LONGEST_S, advise, live_exposure_s
from polewright.core.imaging.stars import StarList

FULL = 65535.0


def seen(count: int, *, sky: float = 0.02, saturated: float = 0.0) -> StarList:
    """Stars over a sky of this share of the sensor's range."""
    places = np.linspace(10.0, 90.0, count)
    return StarList(
        x_px=places, y_px=places, flux=np.full(count, 1000.0), sigma_px=np.full(count, 0.1),
        fwhm_px=3.0, saturated_fraction=saturated, background_adu=sky * FULL, noise_adu=10.0,
        width_px=100, height_px=100,
    )  # fmt: skip


def test_enough_stars_under_a_dark_sky_will_do():
    assert advise(1.0, ENOUGH_STARS, seen(40), FULL).good


def test_a_bright_sky_asks_for_less_until_it_fills_a_quarter_of_the_range():
    advice = advise(4.0, 0, seen(3, sky=0.8), FULL)
    assert not advice.good
    assert advice.next_s == pytest.approx(4.0 * 0.25 / 0.8)


def test_a_clipped_sky_asks_for_much_less():
    """A full sensor hides how bright it really is: the step down is large but bounded."""
    advice = advise(4.0, 0, seen(0, sky=1.0), FULL)
    assert advice.next_s == pytest.approx(1.0)


def test_no_stars_ask_for_four_times_as_much_and_a_few_for_twice():
    assert advise(1.0, 0, seen(2), FULL).next_s == pytest.approx(4.0)
    assert advise(1.0, 10, seen(12), FULL).next_s == pytest.approx(2.0)


def test_longer_never_lets_the_sky_fill_more_than_half_of_the_range():
    advice = advise(1.0, 10, seen(12, sky=0.4), FULL)
    assert advice.next_s == pytest.approx(1.25)


def test_saturated_stars_ask_for_less():
    advice = advise(2.0, 60, seen(60, saturated=0.7), FULL)
    assert not advice.good
    assert advice.next_s == pytest.approx(0.8)


def test_at_the_longest_exposure_a_few_stars_must_do_and_none_is_the_end():
    few = advise(LONGEST_S, 8, seen(9), FULL)
    assert few.good
    none = advise(LONGEST_S, 0, seen(0), FULL)
    assert not none.good
    assert none.next_s is None


def test_nothing_beyond_the_cameras_own_limits_is_advised():
    assert advise(1.0, 0, seen(0), FULL, longest_s=1.5).next_s == 1.5
    assert advise(0.4, 0, seen(0, sky=1.0), FULL, shortest_s=0.3).next_s == 0.3


def test_live_frames_are_as_short_as_the_stars_allow():
    rich, poor = live_exposure_s(1.0, 400), live_exposure_s(1.0, 20)
    assert 0.1 <= rich < 0.2
    assert poor == 1.0
    assert live_exposure_s(8.0, 25) == 1.0
