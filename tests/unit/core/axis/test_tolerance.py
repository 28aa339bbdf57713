"""How good is good enough: closed forms against an exact mount, and against published rules."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.core.axis.tolerance import (
    SIDEREAL_RATE_RAD_S,
    ExposurePlan,
    field_turn_rad,
    longest_exposure_s,
    smear_px,
    tolerance_for,
    widest_declination_deg,
)
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.geometry.rotations import rotation_about, vector_from_rotation

POLE = np.array([0.0, 0.0, 1.0])


@given(error=st.floats(1e-5, 0.1), duration=st.floats(1, 20000), direction=st.floats(0, 6.28))
def test_the_closed_form_is_the_exact_product_of_two_rotations(error, duration, direction):
    axis = rotation_about(np.array([math.cos(direction), math.sin(direction), 0.0]), error) @ POLE
    angle = SIDEREAL_RATE_RAD_S * duration
    relative = rotation_about(axis, angle) @ rotation_about(POLE, -angle)
    exact = float(np.linalg.norm(vector_from_rotation(relative)))
    assert field_turn_rad(error, duration) == pytest.approx(exact, rel=1e-6, abs=1e-12)


def test_one_arcminute_drifts_by_the_published_constant():
    """An axis 1 arcmin off, seen at right angles: 0.2625 arcsec of declination a minute of time,
    and error = 3.81 x drift (arcmin per arcsec/min; R. N. Hook 1989, J. Br. astron. Assoc. 99, 13,
    from memory). The star starts where the drift is fastest; the sky turns once in 23 h 56 m 4.09 s
    (86164.0905 s, IERS Conventions)."""
    assert pytest.approx(2 * math.pi / 86164.0905, rel=1e-8) == SIDEREAL_RATE_RAD_S
    axis = rotation_about(np.array([1.0, 0.0, 0.0]), ARCMIN_RAD) @ POLE
    star = np.array([1.0, 0.0, 0.0])
    angle = SIDEREAL_RATE_RAD_S * 60.0
    centred = rotation_about(POLE, -angle / 2) @ star  # middle of the minute at right angles
    moved = (
        rotation_about(axis, angle)
        @ rotation_about(POLE, -angle)
        @ (rotation_about(POLE, angle) @ centred)
    )
    drift_arcsec = (moved - rotation_about(POLE, angle) @ centred) @ POLE / ARCSEC_RAD
    assert abs(drift_arcsec) == pytest.approx(0.2625, abs=0.0002)
    assert 1.0 / abs(drift_arcsec) == pytest.approx(3.81, abs=0.005)


@pytest.mark.parametrize(
    ("focal_length", "exposure", "arcsec"),
    [(135, 60, 1313), (400, 120, 222), (400, 300, 89), (800, 180, 74), (2000, 300, 18)],
)
def test_unguided_tolerances_agree_with_the_worked_table(focal_length, exposure, arcsec):
    """One 3.76 um pixel: table computed beforehand with the small-angle formula."""
    plan = ExposurePlan(focal_length_mm=focal_length, pixel_size_um=3.76, exposure_s=exposure)
    assert tolerance_for(plan).error_rad / ARCSEC_RAD == pytest.approx(arcsec, abs=0.6)


def test_guided_field_rotation_agrees_with_the_published_rule():
    """E' = 45000 S cos d / (t F A), S in um, t in min, F in mm, A in deg (M. A. Barrett's
    formula, from memory); exact constant 45019."""
    plan = ExposurePlan(
        focal_length_mm=800, pixel_size_um=3.76, exposure_s=180, declination_deg=80, guided=True,
        farthest_mm=14.0,
    )  # fmt: skip
    error_arcmin = 45019 * 3.76 * math.cos(math.radians(80)) / (
        3 * 800 * math.degrees(14.0 / 800)
    )  # fmt: skip
    assert smear_px(plan, error_arcmin * ARCMIN_RAD) == pytest.approx(1.0, rel=2e-3)


@given(
    error_arcmin=st.floats(0.5, 20),
    declination=st.floats(-75, 75),
    hour_angle=st.floats(0, 6.28),
    direction=st.floats(0, 6.28),
)
def test_no_guided_exposure_of_an_exact_mount_turns_more_than_the_worst_case(
    error_arcmin, declination, hour_angle, direction
):
    """A mount that keeps the guide star by its two axes: the left-over roll about it."""
    error = error_arcmin * ARCMIN_RAD
    duration = 300.0
    axis = rotation_about(np.array([math.cos(direction), math.sin(direction), 0.0]), error) @ POLE
    d = math.radians(declination)
    star = np.array(
        [math.cos(d) * math.cos(hour_angle), math.cos(d) * math.sin(hour_angle), math.sin(d)]
    )
    turn = rotation_about(POLE, -SIDEREAL_RATE_RAD_S * duration)  # the sky goes west
    # Roll of the sky's own north against the mount's north at the star, before and after.
    sky_roll = _position_angle(turn @ star, POLE, axis) - _position_angle(star, POLE, axis)
    plan = ExposurePlan(
        focal_length_mm=1000, pixel_size_um=1.0, exposure_s=duration, declination_deg=declination,
        guided=True, farthest_mm=1.0,
    )  # fmt: skip
    worst = smear_px(plan, error) * 1e-3
    assert abs(math.remainder(sky_roll, 2 * math.pi)) <= worst * 1.05


def _position_angle(star: np.ndarray, north: np.ndarray, other: np.ndarray) -> float:
    """Angle at the star between two directions, signed about the star."""
    a = np.cross(star, north)
    b = np.cross(star, other)
    return math.atan2(float(np.cross(a, b) @ star), float(a @ b))


def test_a_wide_lens_and_a_long_telescope_differ_a_hundredfold():
    wide = ExposurePlan(focal_length_mm=24, pixel_size_um=3.76, exposure_s=60)
    long = ExposurePlan(focal_length_mm=2000, pixel_size_um=3.76, exposure_s=300)
    assert tolerance_for(wide).error_rad / tolerance_for(long).error_rad > 100


@given(
    focal_length=st.floats(10, 5000),
    exposure=st.floats(0.1, 3600),
    guided=st.booleans(),
    declination=st.floats(-90, 90),
)
def test_at_the_tolerance_the_smear_is_never_more_than_allowed_unless_said(
    focal_length, exposure, guided, declination
):
    plan = ExposurePlan(
        focal_length_mm=focal_length, pixel_size_um=3.76, exposure_s=exposure, guided=guided,
        declination_deg=declination,
    )  # fmt: skip
    tolerance = tolerance_for(plan)
    if "finer than" not in tolerance.reason:
        assert smear_px(plan, tolerance.error_rad) <= 1.0 + 1e-6


def test_a_plan_without_a_focal_length_is_refused():
    with pytest.raises(UsageError, match="focal_length_mm"):
        ExposurePlan(focal_length_mm=0, pixel_size_um=3.76, exposure_s=60)


def test_the_longest_exposure_is_right_for_turns_of_any_size():
    """A radian of turn and an axis as far off: no plan, but the closed form has no small angles."""
    plan = ExposurePlan(focal_length_mm=1, pixel_size_um=10, exposure_s=60, allowed_px=100)
    longest = longest_exposure_s(plan, 1.0)
    assert smear_px(replace(plan, exposure_s=longest), 1.0) == pytest.approx(100.0, rel=1e-9)


def test_guiding_corrects_no_more_than_an_arcsec_a_minute():
    """3.81 arcmin, by the constant above; a wide field would allow more."""
    plan = ExposurePlan(
        focal_length_mm=135, pixel_size_um=3.76, exposure_s=30, guided=True, farthest_mm=5
    )
    assert tolerance_for(plan).error_rad / ARCMIN_RAD == pytest.approx(3.81, abs=0.005)
    # The declination is unlimited where nothing smears, and for a guided plan has its end.
    assert widest_declination_deg(plan, ARCMIN_RAD) == 90.0
    assert widest_declination_deg(replace(plan, exposure_s=1800.0), ARCMIN_RAD) < 89.0
