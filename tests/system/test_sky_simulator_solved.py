"""The simulated pictures, read back by an independent plate solver."""

import dataclasses
import math

import numpy as np
import pytest
import tetra3rs

from polewright_drivers.sky_simulator.mechanics import direction, separation_rad
from polewright_drivers.sky_simulator.rendering import Readout, Renderer
from polewright_drivers.sky_simulator.rig import Rig
from polewright_drivers.sky_simulator.scenario import invent

pytestmark = pytest.mark.slow

START_S = 1795636800.0
FIELD_DEG = 2.29


@pytest.fixture(name="catalogue", scope="module")
def _catalogue() -> tetra3rs.SolverDatabase:
    """Thinned for one field of view; the package's own proper motions are switched off."""
    return tetra3rs.SolverDatabase.generate_from_gaia(
        max_fov_deg=FIELD_DEG * 1.05,
        min_fov_deg=FIELD_DEG * 0.95,
        lattice_field_oversampling=20,
        patterns_per_lattice_field=20,
        verification_stars_per_fov=60,
        epoch_proper_motion_year=2016.0,
    )


class Hand:
    def __init__(self) -> None:
        self.now_s = START_S

    def __call__(self) -> float:
        return self.now_s


def take(rig: Rig, hand: Hand, hour_angle_h: float, dec_deg: float, exposure_s: float = 2.0):
    """Return pixels, the true boresight as a catalogue place, and the instant of mid-exposure."""
    rig.advance()
    ra_deg = rig.sidereal_deg() - 15.0 * hour_angle_h
    rig.axes.go_to(rig.place(ra_deg, dec_deg), track=True)
    for step_s in (60.0, 1.0):
        hand.now_s += step_s
        rig.advance()
    exposure, start_s = rig.begin_exposure()
    hand.now_s += exposure_s
    rig.end_exposure(exposure)
    camera, scenario = rig.scenario.camera, rig.scenario
    renderer = Renderer(camera, scenario.sky, scenario.seed)
    expected = renderer.expected(rig.trails(exposure, start_s, exposure_s), exposure_s)
    whole = Readout(left_px=0, top_px=0, width_px=camera.width_px, height_px=camera.height_px)
    middle_s = start_s + exposure_s / 2.0
    seen = rig.mechanics.enu_from_camera(exposure.at(middle_s))[:, 0]
    return renderer.read(expected, whole), rig.sky.icrs_of(seen, middle_s), middle_s


def solve(catalogue: tetra3rs.SolverDatabase, pixels: np.ndarray):
    """Return the solution among catalogue places: the centre is the star that is seen there."""
    found = tetra3rs.extract_centroids(pixels, max_centroids=60)
    return catalogue.solve_from_centroids(
        found.centroids,
        fov_estimate_deg=FIELD_DEG,
        fov_max_error_deg=0.1,
        image_shape=pixels.shape,
    )


def unit(ra_deg: float, dec_deg: float) -> np.ndarray:
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    return np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize(("site", "dec_deg"), [("south", -45.0), ("south", -20.0), ("north", 60.0)])
def test_the_solved_centre_is_where_the_camera_truly_points(catalogue, site, dec_deg, mirrored):
    """High in the sky, where the air squeezes the field evenly: a solver knows no air.  Centre
    to 0.5 arcsec, a tenth of a pixel; the scale with the squeeze of 0.02 to 0.04 %."""
    drawn = invent(21, site)
    scenario = dataclasses.replace(
        drawn, camera=dataclasses.replace(drawn.camera, mirrored=mirrored)
    )
    hand = Hand()
    pixels, truth, _ = take(Rig(scenario, hand), hand, -1.0, dec_deg)
    solved = solve(catalogue, pixels)
    assert solved, solved.status
    assert solved.parity_flip is mirrored
    # The solver counts pixels from the corner of the middle four, at (width / 2, height / 2).
    centre = unit(*solved.pixel_to_world(0.0, 0.0))
    away_arcsec = math.degrees(separation_rad(centre, truth)) * 3600.0
    assert away_arcsec < 0.5
    wanted_deg = 2.0 * math.degrees(
        math.atan(1280 * 3.75e-3 / 2.0 / scenario.camera.focal_length_mm)
    )
    assert 1e-4 < solved.fov_deg / wanted_deg - 1.0 < 6e-4


def enu_from_camera(solved, rig: Rig, middle_s: float) -> np.ndarray:
    """Return the attitude that carries nine points of the picture to where they are seen."""
    points = [(x, y) for x in (-500.0, 0.0, 500.0) for y in (-400.0, 0.0, 400.0)]
    places = np.array([unit(*solved.pixel_to_world(x, y)) for x, y in points])
    seen = rig.sky.observed_enu(places, middle_s)
    focal_px = 640.0 / math.tan(math.radians(solved.fov_deg) / 2.0)
    inside = np.array([[1.0, x / focal_px, y / focal_px] for x, y in points])
    inside /= np.linalg.norm(inside, axis=1)[:, None]
    left, _, right = np.linalg.svd(seen.T @ inside)
    return left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right


@pytest.mark.parametrize(("site", "seed", "dec_deg"), [("south", 11, -60.0), ("north", 9, 55.0)])
def test_the_axis_that_the_pictures_turn_about_is_the_hidden_truth(catalogue, site, seed, dec_deg):
    """Two pictures 45 deg of hour angle apart, with tilted base, play, periodic error and all:
    the axis of the rotation between them.  20 arcsec: the solver's roll is good to about 10, and
    45 deg of turn bring the axis no better than the roll."""
    hand = Hand()
    rig = Rig(invent(seed, site), hand)
    attitudes = []
    for hour_angle_h in (-4.0, -1.0):
        pixels, _, middle_s = take(rig, hand, hour_angle_h, dec_deg)
        solved = solve(catalogue, pixels)
        assert solved, solved.status
        attitudes.append(enu_from_camera(solved, rig, middle_s))
    turn = attitudes[1] @ attitudes[0].T
    axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    axis /= np.linalg.norm(axis)
    truth = rig.truth()
    true_axis = direction(truth.axis_az_deg, truth.axis_alt_deg)
    axis *= np.sign(axis @ true_axis)
    assert truth.total_error_arcsec > 2900.0
    away = math.degrees(separation_rad(axis, true_axis)) * 3600.0
    assert away < 20.0
