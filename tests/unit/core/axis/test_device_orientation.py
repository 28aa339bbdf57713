"""A phone's angles against the W3C's text and another library; stillness, north, and sigmas."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from polewright.core.axis.attitude_sensor import (
    SCREEN,
    TILT_SIGMA_RAD,
    TOP_EDGE,
    Bracket,
    turned_axis,
)
from polewright.core.axis.device_orientation import (
    COMPASS_SIGMA_RAD,
    OrientationEvent,
    OrientationWindow,
    earth_from_device,
)
from polewright.core.sky.magnetic import MagneticField

ANGLES = (st.floats(0, 360), st.floats(-180, 180), st.floats(-90, 90))


def w3c_matrix(alpha_deg: float, beta_deg: float, gamma_deg: float) -> np.ndarray:
    """The matrix written out in "Device Orientation and Motion" (W3C), examples of 2019 to 2025."""
    ca, cb, cg = (math.cos(math.radians(one)) for one in (alpha_deg, beta_deg, gamma_deg))
    sa, sb, sg = (math.sin(math.radians(one)) for one in (alpha_deg, beta_deg, gamma_deg))
    return np.array(
        [
            [ca * cg - sa * sb * sg, -cb * sa, cg * sa * sb + ca * sg],
            [cg * sa + ca * sb * sg, ca * cb, sa * sg - ca * cg * sb],
            [-cb * sg, sb, cb * cg],
        ]
    )


def stream(
    count: int = 60,
    *,
    noise_deg: float = 0.02,
    drift_deg_s: float = 0.0,
    alpha_deg: float = 0.0,
    beta_deg: float = 32.0,
    seed: int = 5,
    **more: object,
) -> OrientationWindow:
    random = np.random.default_rng(seed)
    window = OrientationWindow()
    for number in range(count):
        jitter = random.normal(0.0, noise_deg, 3)
        at_s = number / 20.0
        event = OrientationEvent(
            at_s=at_s,
            alpha_deg=(alpha_deg + jitter[0]) % 360.0,
            beta_deg=beta_deg + jitter[1] + drift_deg_s * at_s,
            gamma_deg=jitter[2],
            **({"absolute": True} | more),  # type: ignore[arg-type]
        )
        assert window.add(event)
    return window


@given(*ANGLES)
def test_angles_give_the_matrix_of_the_w3c_and_of_another_library(
    alpha: float, beta: float, gamma: float
):
    ours = earth_from_device(alpha, beta, gamma)
    np.testing.assert_allclose(ours, w3c_matrix(alpha, beta, gamma), atol=1e-12)
    other = Rotation.from_euler("ZXY", [alpha, beta, gamma], degrees=True).as_matrix()
    np.testing.assert_allclose(ours, other, atol=1e-12)


def test_positions_that_the_w3c_describes_in_words():
    """Flat, its top to the west: alpha 90.  On its bottom edge, screen to the south: beta 90."""
    flat = earth_from_device(90.0, 0.0, 0.0)
    np.testing.assert_allclose(flat @ TOP_EDGE, [-1, 0, 0], atol=1e-12)
    np.testing.assert_allclose(flat @ SCREEN, [0, 0, 1], atol=1e-12)
    upright = earth_from_device(0.0, 90.0, 0.0)
    np.testing.assert_allclose(upright @ TOP_EDGE, [0, 0, 1], atol=1e-12)
    np.testing.assert_allclose(upright @ SCREEN, [0, -1, 0], atol=1e-12)
    # Held in the hand toward a compass heading a (flat): alpha = 360 - a.
    east = earth_from_device(270.0, 0.0, 0.0)
    np.testing.assert_allclose(east @ TOP_EDGE, [1, 0, 0], atol=1e-12)


def test_a_phone_that_lies_still_is_averaged_across_north():
    reading = stream(noise_deg=0.05, alpha_deg=359.99).reading()
    assert reading is not None
    assert reading.still
    assert math.degrees(reading.altitude_rad(TOP_EDGE)) == pytest.approx(32.0, abs=0.03)
    azimuth = reading.magnetic_azimuth_rad(TOP_EDGE)
    assert azimuth is not None
    assert math.degrees(math.sin(azimuth)) == pytest.approx(0.01, abs=0.03)
    assert reading.rate_hz == pytest.approx(20.0, rel=1e-6)
    # Scatter is small beside what phones are wrong by, and many events do not help against that.
    assert TILT_SIGMA_RAD < reading.tilt_sigma_rad < 1.1 * TILT_SIGMA_RAD
    assert reading.heading_sigma_rad == pytest.approx(COMPASS_SIGMA_RAD, rel=0.01)


@pytest.mark.parametrize(
    "window",
    [
        stream(noise_deg=1.0),
        stream(drift_deg_s=0.5),
        stream(count=20),
        stream(weight_ms2=(0.0, 0.0, 10.4)),
    ],
    ids=["trembling", "creeping", "not long enough", "shaken"],
)
def test_a_phone_that_does_not_rest_is_not_still(window: OrientationWindow):
    reading = window.reading()
    assert reading is not None
    assert not reading.still


def test_the_sign_of_the_accelerometer_does_not_matter():
    for sign in (1.0, -1.0):
        reading = stream(weight_ms2=(0.0, sign * 5.196, sign * 8.32)).reading()
        assert reading is not None
        assert reading.still


@given(heading=st.floats(0, 359.9), beta=st.floats(-75, 75), gamma=st.floats(-60, 60))
def test_a_heading_beside_angles_that_count_from_anywhere_gives_north(
    heading: float, beta: float, gamma: float
):
    event = OrientationEvent(
        at_s=0.0, alpha_deg=123.0, beta_deg=beta, gamma_deg=gamma, heading_deg=heading
    )
    top = event.magnetic_from_device @ TOP_EDGE
    found = math.degrees(math.atan2(top[0], top[1]))
    assert (found - heading + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)
    # Up comes from the tilt alone, whatever alpha and heading are.
    np.testing.assert_allclose(
        event.magnetic_from_device[2], earth_from_device(0.0, beta, gamma)[2], atol=1e-12
    )


def test_without_north_there_is_an_altitude_and_no_azimuth():
    for reading in (
        stream(absolute=False).reading(),
        # A compass of the top edge says nothing where that points straight up.
        stream(absolute=False, beta_deg=89.0, heading_deg=10.0).reading(),
    ):
        assert reading is not None
        assert reading.still
        assert reading.heading_sigma_rad is None
        assert reading.magnetic_azimuth_rad(TOP_EDGE) is None


def test_the_worst_that_the_phone_says_of_its_compass_counts():
    reading = stream(accuracy_deg=12.0).reading()
    assert reading is not None
    assert reading.accuracy_deg == 12.0
    assert reading.heading_sigma_rad == pytest.approx(math.radians(12.0), rel=0.01)


def test_old_events_go_and_a_pause_or_a_clock_that_goes_back_begins_nothing_wrong():
    window = stream(count=400)
    reading = window.reading()
    assert reading is not None
    assert reading.events == 61
    old = OrientationEvent(at_s=1.0, alpha_deg=1.0, beta_deg=0.0, gamma_deg=0.0, absolute=True)
    assert not window.add(old)
    later = OrientationEvent(at_s=40.0, alpha_deg=1.0, beta_deg=0.0, gamma_deg=0.0, absolute=True)
    assert window.add(later)
    assert window.reading() is None


def test_a_reading_feeds_the_axis_with_the_declination_taken_off():
    """Top edge toward magnetic azimuth 180 where the needle points 20 deg west of north."""
    reading = stream(alpha_deg=180.0).reading()
    assert reading is not None
    assert reading.heading_sigma_rad is not None
    west_rad = math.radians(-20.0)
    field = MagneticField(
        east_nt=1e4 * math.sin(west_rad),
        north_nt=1e4 * math.cos(west_rad),
        up_nt=2e4,
        declination_rad=west_rad,
        declination_sigma_rad=math.radians(0.4),
        dip_rad=-math.atan(2.0),
        horizontal_nt=1e4,
        total_nt=1e4 * math.sqrt(5.0),
    )
    axis = turned_axis(
        reading.magnetic_from_device,
        field,
        Bracket.held(TOP_EDGE),
        tilt_sigma_rad=reading.tilt_sigma_rad,
        heading_sigma_rad=reading.heading_sigma_rad,
    )
    east, north, up = axis.axis_enu
    assert math.degrees(math.asin(up)) == pytest.approx(32.0, abs=0.05)
    assert math.degrees(math.atan2(east, north)) % 360.0 == pytest.approx(160.0, abs=0.05)


def test_the_scatter_told_is_the_unbiased_one_of_a_sample():
    """Squares are divided by one less than the events, as the variance of a sample is."""
    tilts_deg, headings_deg = [31.9, 32.2, 32.0], [0.2, 359.7, 0.1]
    window = OrientationWindow()
    for number, (tilt, heading) in enumerate(zip(tilts_deg, headings_deg, strict=True)):
        assert window.add(
            OrientationEvent(
                at_s=number / 2.0, alpha_deg=heading, beta_deg=tilt, gamma_deg=0.0, absolute=True
            )
        )
    reading = window.reading()
    assert reading is not None
    # Of the two components of a tilt only one strays here: the pooled variance is half of its.
    pooled_deg = math.sqrt(np.var(tilts_deg, ddof=1) / 2.0)
    assert math.degrees(reading.tilt_scatter_rad) == pytest.approx(pooled_deg, rel=0.01)
    turned_deg = [(one + 180.0) % 360.0 for one in headings_deg]
    assert math.degrees(reading.heading_scatter_rad) == pytest.approx(
        np.std(turned_deg, ddof=1), rel=0.01
    )
