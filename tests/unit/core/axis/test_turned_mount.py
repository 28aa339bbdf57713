"""A mount turned by its bolts: its terms, and following it by one body in the daylight."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from polewright.core.axis.bolts import BoltTurns, level_bolts, rotation_of
from polewright.core.axis.pointing_mechanics import PointingTerms, axis_of, pointed
from polewright.core.axis.pointing_model import fit_pointing
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.axis.turned_mount import FollowedMount, sight_geometry, turned_terms
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    angle_between,
    enu_from_altaz,
    sky_tangents,
    unit,
)
from polewright.core.geometry.rotations import rotation_from_vector
from polewright.core.sky.place import Place
from tests.full_run import trials

YARD = Place(latitude_deg=47.0, longitude_deg=8.0)
TERRACE = Place(latitude_deg=-32.4, longitude_deg=22.7)
PLACES = pytest.mark.parametrize("place", [YARD, TERRACE], ids=["north", "south"])
SMALL = st.floats(-0.05, 0.05)


@PLACES
@given(
    terms=st.lists(SMALL, min_size=6, max_size=6),
    turn=st.lists(SMALL, min_size=3, max_size=3),
    hour_angle=st.floats(-3.0, 3.0),
    declination=st.floats(-1.4, 1.4),
    beyond=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_a_turned_mount_points_where_the_whole_mount_was_turned(
    place: Place,
    terms: list[float],
    turn: list[float],
    hour_angle: float,
    declination: float,
    beyond: bool,
) -> None:
    """The law: turning the mount turns whatever it points at, whatever it shows."""
    rotation = rotation_from_vector(np.array(turn))
    shown = (np.array([hour_angle]), np.array([declination]), np.array([beyond]))
    before = pointed(np.array(terms), *shown, place)[0]
    after = turned_terms(PointingTerms.of(np.array(terms)), place, rotation)
    now = pointed(after.array(), *shown, place)[0]
    assert angle_between(now, rotation @ before) < 1e-9


class Scene:
    """A true mount, whose bolts are turned, and the Sun seen by it."""

    def __init__(self, place: Place, seed: int, *, base: np.ndarray | None = None) -> None:
        self.place = place
        self.rng = np.random.default_rng(seed)
        toward = 0.0 if place.south else math.pi
        # About three hours from noon, half high: the worst of a usual forenoon.
        self.sun = enu_from_altaz(math.radians(45.0), toward + math.radians(50.0))
        # Known inside to half a minute of arc, as after two sights with a flip.
        sigma = np.array([40.0, 40.0, 20.0, 20.0, 20.0, 20.0]) * ARCSEC_RAD
        self.prior = PointingPrior.independent(
            PointingTerms.of(sigma),
            PointingTerms(axis_east_rad=20 * ARCMIN_RAD, axis_up_rad=-14 * ARCMIN_RAD),
        )
        self.true = PointingTerms.of(self.prior.mean.array() + self.rng.normal(size=6) * sigma)
        self.base = np.eye(3) if base is None else base

    def sight(self, sigma_arcsec: float = 5.0) -> Sighting:
        """Point the mount at the Sun by what it believes, and measure where it points."""
        reading = fit_pointing([], PointingPrior(
            mean=self.true, covariance_rad2=self.prior.covariance_rad2
        ), self.place).readings_for(self.sun, beyond_the_pole=False)  # fmt: skip
        noise = self.rng.normal(size=2) * sigma_arcsec * ARCSEC_RAD
        seen = self.sun + noise @ np.stack(sky_tangents(self.sun))
        return Sighting(
            hour_angle_rad=reading[0], declination_rad=reading[1], beyond_the_pole=False,
            direction_enu=seen / np.linalg.norm(seen), sigma_rad=sigma_arcsec * ARCSEC_RAD,
        )  # fmt: skip

    def turn(self, azimuth_arcmin: float, altitude_arcmin: float) -> None:
        bolts = level_bolts(axis_of(self.true.array(), self.place))
        turns = BoltTurns(
            azimuth_rad=azimuth_arcmin * ARCMIN_RAD, altitude_rad=altitude_arcmin * ARCMIN_RAD
        )
        turn = self.base @ rotation_of(bolts, turns) @ self.base.T
        self.true = turned_terms(self.true, self.place, turn)

    def off_rad(self, followed: FollowedMount) -> float:
        return angle_between(followed.axis_enu, axis_of(self.true.array(), self.place))


@PLACES
def test_the_axis_is_followed_by_one_body_while_both_bolts_turn(place: Place) -> None:
    scene, lean_rad = Scene(place, 5), LEVEL
    followed = FollowedMount.of(fit_pointing([scene.sight()], scene.prior, place), lean_rad)
    for azimuth, altitude in ((-12.0, 0.0), (-9.0, 0.0), (0.0, 8.0), (0.0, 5.0), (-2.0, 1.0)):
        scene.turn(azimuth, altitude)
        followed = followed.seen(scene.sight(), 5.0 * ARCSEC_RAD)
        assert followed.turning
        assert scene.off_rad(followed) < 2.5 * ARCMIN_RAD
    for _ in range(3):
        followed = followed.seen(scene.sight(), 5.0 * ARCSEC_RAD)
        assert not followed.turning
    # Looks at the same place are averaged.
    assert followed.looks == 4


LEVEL = math.radians(0.05)


def normalised_squares(
    place: Place, lean_rad: float, base: np.ndarray | None = None, mounts: int = trials(60, 150)
) -> float:
    """Squared errors by the claimed covariance, on average over mounts: 2 where it is honest."""
    squares = []
    for seed in range(mounts):
        scene = Scene(place, seed, base=base)
        followed = FollowedMount.of(fit_pointing([scene.sight()], scene.prior, place), lean_rad)
        for azimuth, altitude in ((-10.0, 0.0), (-80.0, 0.0), (0.0, 40.0), (0.0, 0.0)):
            scene.turn(azimuth, altitude)
            followed = followed.seen(scene.sight(), 5.0 * ARCSEC_RAD)
        tangents = np.stack(sky_tangents(followed.axis_enu))
        error = tangents @ axis_of(scene.true.array(), place)
        squares.append(float(error @ np.linalg.solve(followed.axis_covariance_rad2, error)))
    return float(np.mean(squares))


@PLACES
def test_its_sigma_is_honest_on_a_level_base(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """The mean of 150 has a standard deviation of 0.16; play in the head is not simulated."""
    monkeypatch.setattr("polewright.core.axis.turned_mount._PLAY", 0.0)
    assert normalised_squares(place, LEVEL) == pytest.approx(2.0, abs=0.45)


@PLACES
def test_a_base_that_leans_by_as_much_as_it_is_told_is_in_the_claim(place: Place) -> None:
    """Toward the meridian by one sigma: what neither bolt turns about."""
    leaning = rotation_from_vector(np.array([math.radians(0.5), 0.0, 0.0]))
    assert normalised_squares(place, math.radians(0.5), leaning, trials(30, 80)) < 2.6
    # Told to be level it is not: the claim must come from what is told.
    assert normalised_squares(place, LEVEL, leaning, trials(30, 80)) > 3.5


@PLACES
def test_a_body_that_stays_where_it_was_changes_nothing_but_its_noise(place: Place) -> None:
    scene = Scene(place, 3)
    fit = fit_pointing([scene.sight(4.0)], scene.prior, place)
    followed = FollowedMount.of(fit, LEVEL)
    for _ in range(20):
        followed = followed.seen(scene.sight(4.0), 4.0 * ARCSEC_RAD)
        assert not followed.turning
        assert (followed.terms.array() == fit.terms.array()).all()
        assert (followed.covariance_rad2 == fit.covariance_rad2).all()


def test_due_west_on_the_horizon_and_overhead_one_body_tells_little() -> None:
    def at(altitude_deg: float, azimuth_deg: float) -> float:
        direction = enu_from_altaz(math.radians(altitude_deg), math.radians(azimuth_deg))
        sight = Sighting(
            hour_angle_rad=0.0, declination_rad=0.0, beyond_the_pole=False,
            direction_enu=direction, sigma_rad=1e-5,
        )  # fmt: skip
        return sight_geometry(sight, PointingTerms(), YARD)

    assert at(2.0, 270.0) < 0.05
    assert at(88.0, 180.0) < 0.05
    # On the meridian the bolts move a body at right angles: the azimuth by the cosine of its
    # altitude, the altitude bolt by its full angle.
    assert at(40.0, 180.0) == pytest.approx(math.cos(math.radians(40.0)), abs=1e-9)


@PLACES
def test_after_a_turn_the_look_itself_is_known_as_well_as_it_was_measured(place: Place) -> None:
    """The law: two turns take up the two angles seen, so those keep the look's sigma alone."""
    scene = Scene(place, 7)
    followed = FollowedMount.of(fit_pointing([scene.sight()], scene.prior, place), LEVEL)
    scene.turn(-14.0, 9.0)
    look = scene.sight()
    followed = followed.seen(look, look.sigma_rad)
    assert followed.turning
    shown = [np.array([one]) for one in (look.hour_angle_rad, look.declination_rad, False)]
    step, terms = 1e-6, followed.terms.array()
    slopes = np.column_stack(
        [
            (pointed(terms + nudge, *shown, place)[0] - pointed(terms - nudge, *shown, place)[0])
            / (2.0 * step)
            for nudge in step * np.eye(6)
        ]
    )
    across = np.stack(sky_tangents(look.direction_enu)) @ slopes.reshape(3, 6)
    known = across @ followed.covariance_rad2 @ across.T
    np.testing.assert_allclose(known, look.sigma_rad**2 * np.eye(2), atol=0.02 * look.sigma_rad**2)


@PLACES
@pytest.mark.parametrize("way", [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)])
def test_no_bolt_is_thought_to_turn_by_more_than_some_twenty_degrees_either_way(
    place: Place, way: tuple[float, float]
) -> None:
    """Bolts have a few degrees of way; what looks like more is another movement."""
    scene = Scene(place, 5)
    followed = FollowedMount.of(fit_pointing([scene.sight()], scene.prior, place), LEVEL)
    true = scene.true
    for degrees in (14.0, 25.0):
        scene.true = true
        scene.turn(*(60.0 * degrees * one for one in way))
        look = scene.sight()
        if degrees < 20.0:
            assert followed.seen(look, 5.0 * ARCSEC_RAD).turning
            continue
        with pytest.raises(MeasurementError) as refused:
            followed.seen(look, 5.0 * ARCSEC_RAD)
        assert refused.value.code == "no_fit"


@PLACES
@pytest.mark.parametrize(("looks", "still", "turned"), [(1, 5.4, 5.9), (16, 4.0, 4.25)])
def test_one_look_differs_from_the_mean_of_many_by_their_noise_and_its_own(
    place: Place, looks: int, still: float, turned: float
) -> None:
    """By chance: s root(1 + 1/n), and four of these show a turn: 5.66 s, and 4.12 s after 16."""
    scene, noise_rad = Scene(place, 4), 20.0 * ARCSEC_RAD
    look = replace(scene.sight(0.001), sigma_rad=noise_rad)
    followed = FollowedMount.of(fit_pointing([look], scene.prior, place), LEVEL)
    for _ in range(looks - 1):
        followed = followed.seen(look, noise_rad)
    for side in (*np.eye(2), *-np.eye(2)):
        for sigmas, shown in ((still, False), (turned, True)):
            off = sigmas * noise_rad * side @ np.stack(sky_tangents(look.direction_enu))
            away = replace(look, direction_enu=unit(look.direction_enu + off))
            assert followed.seen(away, noise_rad).turning is shown
