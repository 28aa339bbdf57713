"""Optical trains: learned from frames, told as hints, and ruled out by other scales."""

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.optical_train import OpticalTrain, position_angle_deg, train_after

TRAIN = OpticalTrain(scale_arcsec_px=6.4, mirrored=False, radial=0.003, radial_stars=50)


def attitude(*, scale=6.4, stars=40, radial=0.002, mirrored=False, rotation=None):
    return Attitude(
        camera_from_icrs=np.eye(3) if rotation is None else rotation,
        covariance_camera_rad2=np.eye(3) * 1e-10,
        mid_exposure=datetime(2026, 11, 25, 20, 0, tzinfo=UTC),
        mid_exposure_sigma_s=0.1,
        star_icrs=np.tile([1.0, 0.0, 0.0], (stars, 1)),
        star_tangent=np.zeros((stars, 2)),
        star_sigma_px=np.ones(stars),
        star_px=np.zeros((stars, 2)),
        scale_arcsec_px=scale,
        mirrored=mirrored,
        width_px=1280,
        height_px=960,
        rms_arcsec=1.0,
        solver="memory",
        radial=radial,
    )


def test_only_frames_rich_in_stars_teach_the_lens():
    poor = train_after(TRAIN, attitude(stars=29, radial=0.009, scale=6.41))
    assert (poor.radial, poor.radial_stars, poor.scale_arcsec_px) == (0.003, 50, 6.41)
    rich = train_after(TRAIN, attitude(stars=30, radial=0.009))
    assert (rich.radial, rich.radial_stars) == (0.009, 30)
    assert train_after(None, attitude(stars=29, radial=0.009)).radial == 0.0


@pytest.mark.parametrize(
    ("scale", "same"), [(6.4, True), (6.45, True), (6.47, False), (6.3, False)]
)
def test_a_frame_of_another_scale_is_not_of_the_train(scale, same):
    assert TRAIN.shows(attitude(scale=scale)) is same


def test_a_frame_of_the_other_parity_is_not_of_the_train():
    assert not TRAIN.shows(attitude(mirrored=True))


def test_settings_rule_a_train_out_only_where_they_plainly_disagree():
    assert not TRAIN.contradicts(SolveHint())
    assert not TRAIN.contradicts(SolveHint(scale_arcsec_px=6.0, mirrored=False))
    assert TRAIN.contradicts(SolveHint(scale_arcsec_px=3.2))
    assert TRAIN.contradicts(SolveHint(mirrored=True))


def test_a_train_is_told_in_place_of_what_was_believed_and_leaves_the_direction():
    hint = TRAIN.told_to(SolveHint(direction_icrs=(0.0, 0.0, 1.0), scale_arcsec_px=6.0))
    assert (hint.scale_arcsec_px, hint.radial, hint.mirrored) == (6.4, 0.003, False)
    assert hint.direction_icrs == (0.0, 0.0, 1.0)
    assert hint.scale_sigma_fraction < 0.01


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 200.0])
def test_the_position_angle_of_upward_is_counted_from_north_through_east(angle_deg, mirrored):
    """Looking at (1, 0, 0): north is +z, east +y; row numbers grow downward in every file."""
    angle = math.radians(angle_deg)
    up = np.array([0.0, math.sin(angle), math.cos(angle)])
    boresight = np.array([1.0, 0.0, 0.0])
    z = up if mirrored else -up
    rotation = np.stack([boresight, np.cross(z, boresight), z])
    found = position_angle_deg(attitude(rotation=rotation, mirrored=mirrored))
    assert abs((found - angle_deg + 180.0) % 360.0 - 180.0) < 1e-9
