"""Star targets: turn the bolts exactly, and the stars are where they were said to come to be."""

from datetime import UTC, datetime

import numpy as np
import pytest

from polewright.core.axis.bolts import bent_bolts, rotation_of, turns_between
from polewright.core.axis.targets import star_targets
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.geometry.rotations import rotation_about
from polewright.core.imaging.attitude import Attitude
from tests.unit.core.axis.skies import axis_at, first_attitude

SCALE = 6.4
WIDTH, HEIGHT = 1280, 960
CENTRE = np.array([639.5, 479.5])
NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)


def picture(enu_from_camera, stars_enu, *, mirrored=False, bend=0.0, noise_px=0.0, rng=None):
    """What a camera sees: tangent offsets and pixels of stars that are inside the frame."""
    seen = stars_enu @ enu_from_camera
    tangent = seen[:, 1:] / seen[:, :1] / (SCALE * ARCSEC_RAD)
    flip = np.array([1.0, -1.0 if mirrored else 1.0])
    bent = tangent * (1.0 + bend * np.sum(tangent**2, axis=1)[:, None])
    return tangent, bent * flip + CENTRE


def attitude_of(tangent, pixels, sigma, *, mirrored=False):
    return Attitude(
        camera_from_icrs=np.eye(3),
        covariance_camera_rad2=np.eye(3) * 1e-10,
        mid_exposure=NIGHT,
        mid_exposure_sigma_s=0.1,
        star_icrs=np.tile([1.0, 0.0, 0.0], (len(tangent), 1)),
        star_tangent=tangent,
        star_sigma_px=sigma,
        star_px=pixels,
        scale_arcsec_px=SCALE,
        mirrored=mirrored,
        width_px=WIDTH,
        height_px=HEIGHT,
        rms_arcsec=0.5,
        solver="none",
    )


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("bend", [0.0, 4e-9], ids=["straight", "distorted"])
@pytest.mark.parametrize("declination", [88, 60, 10])
def test_after_the_exact_correction_the_stars_are_there(mirrored, bend, declination):
    """Distortion of 4e-9 per px^2 is 0.26 % at the corner, 2 px."""
    rng = np.random.default_rng(declination)
    axis, target = axis_at(35.0, 181.0), axis_at(35.9, 179.6)
    camera = first_attitude(axis, declination, 33.0)
    near = camera[:, 0] + rng.normal(size=(300, 3)) * 0.01
    stars = near / np.linalg.norm(near, axis=1)[:, None]
    tangent, pixels = picture(camera, stars, mirrored=mirrored, bend=bend)
    bolts = bent_bolts(axis, np.array([0.03, -0.02, 0.02, 0.04]))
    turn = rotation_of(bolts, turns_between(bolts, axis, target))
    assert np.allclose(turn @ axis, target, atol=1e-9)
    attitude = attitude_of(tangent, pixels, np.full(len(stars), 0.1), mirrored=mirrored)
    told = star_targets(attitude, camera, turn)
    assert 1 <= len(told) <= 12
    _, after = picture(turn @ camera, stars, mirrored=mirrored, bend=bend)
    for star in told:
        index = int(np.argmin(np.hypot(*(pixels - [star.x_px, star.y_px]).T)))
        assert np.hypot(*(after[index] - [star.to_x_px, star.to_y_px])) < 0.1


def test_tracking_does_not_move_the_targets():
    """The same bolts asked for a quarter of an hour later: the stars must go to the same pixels."""
    rng = np.random.default_rng(2)
    axis, target = axis_at(35.0, 181.0), axis_at(35.1, 180.8)
    camera = first_attitude(axis, 70)
    near = camera[:, 0] + rng.normal(size=(50, 3)) * 0.01
    stars = near / np.linalg.norm(near, axis=1)[:, None]
    bolts = bent_bolts(axis, np.zeros(4))
    turn = rotation_of(bolts, turns_between(bolts, axis, target))
    tangent, pixels = picture(camera, stars)
    told = star_targets(attitude_of(tangent, pixels, np.full(50, 0.1)), camera, turn)
    later = rotation_about(target, np.radians(4.0))
    _, after = picture(later @ turn @ camera, stars @ later.T)
    for star in told:
        index = int(np.argmin(np.hypot(*(pixels - [star.x_px, star.y_px]).T)))
        assert np.hypot(*(after[index] - [star.to_x_px, star.to_y_px])) < 0.1


def test_bright_stars_apart_from_each_other_are_chosen():
    """One brilliant cluster and faint stars elsewhere: the cluster does not take all places."""
    rng = np.random.default_rng(3)
    cluster = rng.normal(size=(30, 2)) * 10.0 + [300.0, 200.0]
    field = rng.uniform([-600, -440], [600, 440], size=(60, 2))
    tangent = np.vstack([cluster, field])
    sigma = np.concatenate([np.full(30, 0.05), np.full(60, 0.15)])
    attitude = attitude_of(tangent, tangent + CENTRE, sigma)
    told = star_targets(attitude, np.eye(3), np.eye(3))
    assert len(told) == 12
    places = np.array([[star.x_px, star.y_px] for star in told])
    in_cluster = np.hypot(*(places - CENTRE - [300.0, 200.0]).T) < 60
    assert 1 <= in_cluster.sum() <= 3
    assert np.allclose(places, [[star.to_x_px, star.to_y_px] for star in told], atol=1e-9)


def test_a_star_turned_behind_the_camera_is_left_out():
    tangent = np.array([[0.0, 0.0], [10.0, 5.0]])
    attitude = attitude_of(tangent, tangent + CENTRE, np.full(2, 0.1))
    behind = rotation_about(np.array([0.0, 0.0, 1.0]), 180.0 * 60.0 * ARCMIN_RAD)
    assert star_targets(attitude, np.eye(3), behind) == []


def test_the_best_measured_star_is_among_the_targets_and_comes_first():
    rng = np.random.default_rng(4)
    axis, target = axis_at(35.0, 181.0), axis_at(35.1, 180.8)
    camera = first_attitude(axis, 60, 33.0)
    near = camera[:, 0] + rng.normal(size=(60, 3)) * 0.005
    tangent, pixels = picture(camera, near / np.linalg.norm(near, axis=1)[:, None])
    sigma = rng.uniform(0.2, 0.9, size=60)
    best = int(np.argmin(np.linalg.norm(pixels - CENTRE, axis=1)))
    sigma[best] = 0.05
    bolts = bent_bolts(axis, np.zeros(4))
    turn = rotation_of(bolts, turns_between(bolts, axis, target))
    told = star_targets(attitude_of(tangent, pixels, sigma), camera, turn)
    assert (told[0].x_px, told[0].y_px) == pytest.approx(tuple(pixels[best]))
