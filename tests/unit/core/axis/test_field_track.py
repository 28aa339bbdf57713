"""Whole attitudes of a tracked field against a mount turned by scipy."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from polewright.core.axis.drift import classical_drift, solve_drift
from polewright.core.axis.drift_words import minutes_until, progress_words
from polewright.core.axis.field_track import FieldTrack
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    angle_between,
    enu_from_altaz,
    sky_tangents,
)

DUSK = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
WIDE = np.eye(2) * math.radians(2.0) ** 2
NOISE = np.diag([6.0**2, 0.3**2, 0.3**2]) * ARCSEC_RAD**2


def pole_of(latitude_deg):
    azimuth = 0.0 if latitude_deg > 0 else math.pi
    return enu_from_altaz(math.radians(abs(latitude_deg)), azimuth)


def axis_off(pole, sideways_arcmin, up_arcmin):
    one, other = sky_tangents(pole)
    axis = pole + ARCMIN_RAD * (sideways_arcmin * one + up_arcmin * other)
    return axis / np.linalg.norm(axis)


def field(axis, *, south, hour_deg, dec_deg, minutes, noise=0.0, worm_arcsec=0.0, seed=1):
    rng = np.random.default_rng(seed)
    north_end = -axis if south else axis
    up = np.array([0.0, 0.0, 1.0])
    meridian = up - (up @ north_end) * north_end
    meridian /= np.linalg.norm(meridian)
    dec = math.radians(dec_deg)
    star = math.sin(dec) * north_end + math.cos(dec) * meridian
    across = np.cross(north_end, star)
    across /= np.linalg.norm(across)
    first = Rotation.from_rotvec(-math.radians(hour_deg) * north_end).as_matrix()
    first = first @ np.column_stack([star, across, np.cross(star, across)])
    looks = []
    for t in np.arange(0.0, minutes * 60.0 + 0.1, 10.0):
        worm = worm_arcsec * ARCSEC_RAD * math.sin(2.0 * math.pi * t / 480.0)
        turn = Rotation.from_rotvec((worm - SIDEREAL_RATE_RAD_S * t) * north_end)
        error = Rotation.from_rotvec(noise * rng.normal(size=3) * np.sqrt(np.diag(NOISE)))
        looks.append(
            ObservedAttitude(
                enu_from_camera=turn.as_matrix() @ first @ error.as_matrix(),
                covariance_camera_rad2=NOISE,
                instant=DUSK + timedelta(seconds=float(t)),
            )
        )
    return FieldTrack(looks=looks)


@pytest.mark.parametrize("latitude", [47.0, -32.4])
@pytest.mark.parametrize("error", [(5.0, -3.0), (-90.0, 60.0)])
@pytest.mark.parametrize("dec", [-50.0, 0.0, 70.0])
def test_one_field_without_noise_gives_the_whole_axis_whatever_the_worm_does(latitude, error, dec):
    pole = pole_of(latitude)
    axis = axis_off(pole, *error)
    track = field(
        axis, south=latitude < 0, hour_deg=20.0, dec_deg=dec, minutes=20, worm_arcsec=30.0
    )
    # A tight noise, so that the prior pulls by nothing.
    estimate = solve_drift([track], pole, WIDE * 1e4, south=latitude < 0)
    assert angle_between(estimate.axis_enu, axis) < 1.0 * ARCSEC_RAD


@settings(max_examples=15, deadline=None)
@given(st.floats(-60.0, 60.0), st.floats(-60.0, 60.0), st.floats(-8.0, 8.0), st.floats(-8.0, 8.0))
def test_what_it_claims_holds(hour, dec, sideways, up):
    pole = pole_of(-32.4)
    axis = axis_off(pole, sideways, up)
    track = field(axis, south=True, hour_deg=hour, dec_deg=dec, minutes=8, noise=1.0)
    estimate = solve_drift([track], pole, WIDE, south=True)
    off = np.array(sky_tangents(axis)) @ (estimate.axis_enu - axis)
    chi2 = off @ np.linalg.solve(estimate.covariance_rad2, off)
    assert chi2 < 18.4  # one in ten thousand for two components


def test_the_declination_drift_is_the_classical_one():
    """First order: the turn about the declination axis grows as `classical_drift` says."""
    latitude, hour = 47.0, 30.0
    pole = pole_of(latitude)
    axis = axis_off(pole, 3.0, -2.0)
    track = field(axis, south=False, hour_deg=hour, dec_deg=0.0, minutes=1)
    _, off, _, _ = track.prepared().equations(pole, False)
    count = len(track.looks)
    per_s = (off[count - 1] - off[0]) / 60.0
    _, north = classical_drift(3.0 * ARCMIN_RAD, -2.0 * ARCMIN_RAD, math.radians(hour), 0.0)
    assert abs(per_s) == pytest.approx(abs(north), rel=0.02)


def test_the_words_name_what_is_hidden_and_how_long_it_takes():
    pole = pole_of(-32.4)
    track = field(
        axis_off(pole, 8.0, 5.0), south=True, hour_deg=0.0, dec_deg=0.0, minutes=3, noise=1.0
    )
    words = progress_words(solve_drift([track], pole, WIDE, south=True), 0.5 * ARCMIN_RAD)
    assert "azimuth sure to" in words
    assert "altitude" in words.partition(";")[2]
    east = field(
        axis_off(pole, 8.0, 5.0), south=True, hour_deg=-80.0, dec_deg=0.0, minutes=3, noise=1.0
    )
    words = progress_words(solve_drift([east], pole, WIDE, south=True), 0.5 * ARCMIN_RAD)
    assert words.startswith("altitude sure to")
    both = progress_words(solve_drift([track, east], pole, WIDE, south=True), 2.0 * ARCMIN_RAD)
    assert "both ways" in both


def test_the_time_left_goes_by_the_power_of_three_halves():
    """A rate is sure to T^-3/2 over T: eight times surer takes four times as long."""
    assert minutes_until(8.0, 60.0, 1.0) == pytest.approx(3.0)
    assert minutes_until(1.0, 60.0, 2.0) == 0.0


@pytest.mark.parametrize("noise", [0.3, 3.0, 10.0])
def test_frames_are_as_sure_as_they_scatter_and_never_surer_than_they_promise(noise):
    """Each way by itself; 121 frames tell their scatter to 8 percent, by their neighbours."""
    axis = pole_of(-32.4)
    track = field(axis, south=True, hour_deg=20.0, dec_deg=-40.0, minutes=20, noise=noise)
    promised = field(axis, south=True, hour_deg=20.0, dec_deg=-40.0, minutes=20)
    _, off, sigma, _ = track.prepared().equations(axis, True)
    _, _, least, _ = promised.prepared().equations(axis, True)
    scatter = np.repeat(np.std(off.reshape(2, -1), axis=1), len(track.looks))
    np.testing.assert_allclose(sigma, np.maximum(scatter, least), rtol=0.2)
