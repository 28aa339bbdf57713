"""A look after the star alignment, at another declination: a whole mount, turned piece by piece."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from polewright.core.axis.pointing_mechanics import axis_of, axis_terms
from polewright.core.geometry.directions import ARCMIN_RAD, altaz_from_enu
from polewright.core.geometry.rotations import rotation_about
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.session.quick_look import way_back
from tests.session import test_star_alignment as star_alignment
from tests.session.mechanical_mount import MechanicalMount, PortOfMount
from tests.session.ports_in_memory import TERRACE, YARD

# The axis is 3 arcmin off.
LOOK = {"depth": "quick", "tolerance_arcsec": 360.0}


@dataclass
class WholeMount(MechanicalMount):
    """Its camera rides on the tube, so that the pier, the cone and every axis turn the picture."""

    def camera_enu(self) -> np.ndarray:
        east, up, index_hour, index_declination, cone, square = self.terms
        hour = math.radians(self.hour_angle_now() - self.offset_hour + self._left[0])
        raw = -self.offset_raw if self.beyond else self.offset_raw
        shown = math.radians(self.declination - raw + self._left[1])
        # As tests.bench.daylight.pointed_by_hand: local axes east, lower meridian, pole.
        tilt = (math.pi - shown if self.beyond else shown) + index_declination
        turn = -(hour + (math.pi if self.beyond else 0.0) + index_hour)
        carried = (
            Rotation.from_euler("x", self.place.latitude_deg - 90.0, degrees=True)
            * Rotation.from_rotvec([up, east, 0.0])
            * Rotation.from_rotvec([0.0, 0.0, turn])
            * Rotation.from_rotvec([0.0, -square, 0.0])
            * Rotation.from_rotvec([-tilt, 0.0, 0.0])
        )
        tube = np.array([math.sin(cone), -math.cos(cone), 0.0])
        across = np.array([math.cos(cone), math.sin(cone), 0.0])
        saddle = np.column_stack([tube, across, [0.0, 0.0, 1.0]])
        return carried.as_matrix() @ saddle @ Rotation.from_euler("x", 0.7).as_matrix()


class Evening(star_alignment.Stage):
    def __init__(self, place, hour):
        super().__init__(place, hour=hour, surveyed=False)
        self.mount = WholeMount(
            self.clock, place=place, hour_angle=hour, declination=-30.0 if place.south else 30.0,
            terms=self.terms, repeats_arcsec=5.0,
        )  # fmt: skip
        self.solver.mount = self.mount
        self.evening.attach(self.camera, PortOfMount(self.mount), place)

    def send(self, hour, declination):
        self.mount.hour_angle, self.mount.declination = hour, declination
        self.mount._right_ascension = right_ascension_deg(hour, self.clock.now(), self.place)

    def bump(self, arcmin):
        """Turn the whole mount about the vertical."""
        axis = axis_of(self.mount.terms, self.place)
        turned = rotation_about(np.array([0.0, 0.0, 1.0]), -arcmin * ARCMIN_RAD) @ axis
        terms = self.mount.terms.copy()
        terms[:2] = axis_terms(turned, self.place)
        self.mount.terms = terms
        return altaz_from_enu(turned)[0]


@pytest.mark.parametrize(("place", "hour"), [(TERRACE, -40.0), (YARD, 40.0)])
async def test_a_look_from_another_declination_after_a_sync(place, hour):
    stage = Evening(place, hour)
    await stage.evening.handle("confirm_clear", {})
    sign = -1.0 if place.south else 1.0
    await stage.evening.handle("survey", {})
    aligned = await stage.evening.handle("align_stars", {"syncs": "once"})
    assert aligned["verdict"] != "cannot_tell"
    assert len(stage.mount.syncs) == 1
    side = math.copysign(1.0, hour)
    stage.mount.beyond = hour > 0.0
    stage.send(side * 25.0, sign * 52.0)
    good = await stage.evening.handle("verify", LOOK)
    assert (good["moved"], good["verdict"]) == (False, "good_enough"), good["words"]
    altitude = stage.bump(5.0)
    moved = await stage.evening.handle("verify", LOOK)
    assert moved["moved"] is True, moved["words"]
    # Clockwise seen from above; on the sky times cos(altitude).
    assert moved["azimuth_move_on_sky_arcmin"] == pytest.approx(
        5.0 * math.cos(altitude), abs=3.5 * moved["azimuth_move_on_sky_sigma_arcmin"]
    )
    assert moved["azimuth_move_on_sky_sigma_arcmin"] < 1.0


async def test_without_an_alignment_it_says_that_one_would_teach_it():
    stage = Evening(TERRACE, 40.0)
    await stage.evening.handle("confirm_clear", {})
    await stage.evening.handle("survey", {})
    stage.send(25.0, -52.0)
    result = await stage.evening.handle("verify", {"depth": "quick"})
    assert result["code"] == "declination_moved"
    assert "star alignment" in result["remedy"]
    assert "-30.00 deg" in result["remedy"]


def test_nobody_is_sent_to_a_declination_past_the_pole():
    # A survey at -89.97 deg; then the mount was told that it points 0.5 deg farther south.
    for shown in (-90.47, 90.01):
        assert f"{shown:.2f}" not in way_back(shown)
        assert "verify --full --clear" in way_back(shown)
    assert "declination -89.97 deg" in way_back(-89.97)
