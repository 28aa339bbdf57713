"""Pictures that disagree: what moved, in words, by the names of the pictures."""

from datetime import timedelta

import numpy as np
import pytest

from polewright.cli.picture_axis import axis_of_pictures
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.weighing import WeighingRules
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between, sky_tangents
from polewright.core.geometry.rotations import rotation_about
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from tests.unit.core.axis.skies import INSTANT, first_attitude

POLE = pole_enu(Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0), refracted=True)
AXIS = rotation_about([1.0, 0.0, 0.0], np.radians(0.5)) @ POLE
RULES = WeighingRules(pole_enu=POLE)
TURNS_DEG = (0.0, 15.0, 30.0, 45.0, 60.0)


def pictures(spoil=lambda index, camera: camera, turns_deg=TURNS_DEG):
    start = first_attitude(AXIS, 45.0)
    return [
        ObservedAttitude(
            enu_from_camera=spoil(index, rotation_about(AXIS, np.radians(turn)) @ start),
            covariance_camera_rad2=np.diag([20.0, 0.5, 0.5]) ** 2 * ARCSEC_RAD**2,
            instant=INSTANT + timedelta(seconds=20 * index),
            label=f"{'abcde'[index]}.fits",
        )
        for index, turn in enumerate(turns_deg)
    ]


def test_pictures_that_agree_are_believed():
    found = axis_of_pictures(pictures(), RULES)
    assert found.trouble is None
    assert found.words == ()
    assert angle_between(found.estimate.axis_enu, AXIS) < 1e-6


def test_a_tripod_that_sank_is_told_by_the_pictures_name_whatever_the_order_of_the_files():
    def sank(index, camera):
        east, _ = sky_tangents(AXIS)
        return rotation_about(east, np.radians(0.2)) @ camera if index >= 3 else camera

    found = axis_of_pictures(pictures(sank)[::-1], RULES)
    assert found.trouble is not None
    assert found.trouble.code == "tripod_moved"
    assert "after c.fits" in found.trouble.text


def test_a_rotator_is_told_and_the_directions_answer():
    def rolled(index, camera):
        return camera @ rotation_about([1.0, 0.0, 0.0], np.radians(0.5 * index**2))

    found = axis_of_pictures(pictures(rolled), RULES)
    assert found.trouble is None
    assert not found.estimate.roll_used
    assert "as if a rotator turned the camera: directions alone decide" in found.words[0]
    assert angle_between(found.estimate.axis_enu, AXIS) < 1e-6


def test_where_roll_was_said_to_be_used_a_rotator_is_a_refusal():
    def rolled(index, camera):
        return camera @ rotation_about([1.0, 0.0, 0.0], np.radians(0.5 * index**2))

    rules = WeighingRules(pole_enu=POLE, use_roll=True)
    found = axis_of_pictures(pictures(rolled), rules)
    assert found.trouble is not None
    assert found.trouble.code == "roll_untrusted"


@pytest.mark.parametrize("turns_deg", [(0.0, 60.0), (0.0, 60.0, 60.0)])
def test_pictures_at_two_places_check_nothing_and_say_so(turns_deg):
    found = axis_of_pictures(pictures(turns_deg=turns_deg), RULES)
    assert found.trouble is not None
    assert found.trouble.code == "too_few_frames"
    assert "three or more different turns" in found.trouble.remedy
