"""The carried catalogue continued with fainter stars: none twice, motions assumed and told."""

import numpy as np
import pytest

from polewright.adapters.solver.catalogue import carried_catalogue
from polewright.adapters.solver.deep_catalogue import DeepCatalogue
from polewright.adapters.solver.index_files import IndexStars
from polewright.core.geometry.directions import ARCSEC_RAD

CENTRE = np.array([0.6, -0.48, 0.64])
RADIUS_RAD = np.radians(0.6)


def index_of(places, magnitude):
    order = np.argsort(places[:, 2])
    return IndexStars(
        icrs=places[order].astype(np.float32),
        magnitude=np.asarray(magnitude)[order].astype(np.float32),
    )


def scattered(rng, count, spread=0.004):
    places = CENTRE + rng.normal(size=(count, 3)) * spread
    return places / np.linalg.norm(places, axis=1)[:, None]


@pytest.fixture(scope="module")
def carried():
    return carried_catalogue()


def test_a_star_of_both_catalogues_is_given_once(carried):
    known = carried.cone(CENTRE, RADIUS_RAD, year=2000.0)
    deep = DeepCatalogue(carried, index_of(known.icrs, known.magnitude))
    both = deep.cone(CENTRE, RADIUS_RAD, year=2026.0)
    alone = carried.cone(CENTRE, RADIUS_RAD, year=2026.0)
    assert len(known.magnitude) >= 5
    assert np.array_equal(both.icrs, alone.icrs)
    assert np.array_equal(both.sigma_rad, alone.sigma_rad)


def test_fainter_stars_are_added_in_order_of_brightness(carried):
    places = scattered(np.random.default_rng(1), 30)
    deep = DeepCatalogue(carried, index_of(places, np.linspace(10.1, 11.9, 30)))
    both = deep.cone(CENTRE, RADIUS_RAD, year=2000.0)
    alone = carried.cone(CENTRE, RADIUS_RAD, year=2000.0)
    inside = int((places @ CENTRE > np.cos(RADIUS_RAD)).sum())
    assert len(both.magnitude) == len(alone.magnitude) + inside
    assert np.all(np.diff(both.magnitude) >= 0.0)
    assert len(deep.cone(CENTRE, RADIUS_RAD, year=2000.0, most=4).magnitude) == 4


def test_places_of_j2000_are_kept_to_a_hundredth_of_an_arcsecond_and_carried_along(carried):
    """The assumed motion is the field's own, so small; the sigma grows with the years."""
    places = scattered(np.random.default_rng(2), 20, spread=0.002)
    deep = DeepCatalogue(carried, index_of(places, np.full(20, 11.0)))

    def faint(year):
        stars = deep.cone(CENTRE, RADIUS_RAD, year=year)
        return stars.icrs[stars.magnitude == 11.0], stars.sigma_rad[stars.magnitude == 11.0]

    then, sigma_then = faint(2000.0)
    apart = np.linalg.norm(then[:, None] - places, axis=2).min(axis=1)
    assert apart.max() < 0.03 * ARCSEC_RAD
    assert sigma_then == pytest.approx(0.1 * ARCSEC_RAD)
    now, sigma_now = faint(2026.0)
    shift = np.linalg.norm(now - then, axis=1)
    around = carried.cone(CENTRE, np.radians(5.0), year=2000.0)
    usable = (around.magnitude > 8.5) & around.motion_mas_yr.any(axis=1)
    median = np.hypot(*np.median(around.motion_mas_yr[usable], axis=0))
    assert np.ptp(shift) < 0.03 * ARCSEC_RAD
    expected = 26.0 * median * 1e-3 * ARCSEC_RAD  # a mean of most of them: within 3 mas per year
    assert shift == pytest.approx(expected, abs=26.0 * 3e-3 * ARCSEC_RAD)
    assert np.all((sigma_now > 0.2 * ARCSEC_RAD) & (sigma_now < 0.7 * ARCSEC_RAD))


@pytest.mark.parametrize("declination", [90.0, -90.0, 89.8])
def test_the_poles_are_no_edges(carried, declination):
    dec = np.radians(declination)
    pole = np.array([np.cos(dec), 0.0, np.sin(dec)])
    rng = np.random.default_rng(3)
    places = pole + rng.normal(size=(40, 3)) * 0.002
    places /= np.linalg.norm(places, axis=1)[:, None]
    deep = DeepCatalogue(carried, index_of(places, np.full(40, 11.0)))
    found = deep.cone(pole, RADIUS_RAD, year=2000.0)
    assert int((found.magnitude == 11.0).sum()) == int((places @ pole > np.cos(RADIUS_RAD)).sum())


def test_a_wide_cone_has_only_carried_stars(carried):
    places = scattered(np.random.default_rng(4), 30)
    deep = DeepCatalogue(carried, index_of(places, np.full(30, 11.0)))
    assert not np.any(deep.cone(CENTRE, np.radians(5.0), year=2026.0).magnitude == 11.0)


def test_the_assumed_sigma_covers_real_motions(carried):
    """Stars of the 9th and 10th magnitude whose motions are known, treated as if they were not."""
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(40):
        centre = rng.normal(size=3)
        centre /= np.linalg.norm(centre)
        deep = DeepCatalogue(carried, index_of(centre[None], np.array([11.0])))
        median, scatter = deep._motion(centre)
        near = carried.cone(centre, np.radians(1.5), year=2000.0)
        usable = (near.magnitude > 9.3) & near.motion_mas_yr.any(axis=1)
        inside.append((np.abs(near.motion_mas_yr[usable] - median) < scatter).ravel())
    assert 0.65 < np.concatenate(inside).mean() < 0.78  # normal: 0.68; these have longer tails
