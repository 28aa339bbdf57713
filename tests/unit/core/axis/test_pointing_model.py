"""The pointing model against a mount turned by hand, piece by piece, and its honesty."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.core.axis.pointing_mechanics import (
    PointingTerms,
    axis_of,
    axis_terms,
    pointed,
)
from polewright.core.axis.pointing_model import fit_pointing
from polewright.core.axis.sightings import PointingPrior, Sighting, optical_axis_enu
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    angle_between,
    enu_from_altaz,
    sky_tangents,
)
from polewright.core.sky.place import Place
from tests.bench.daylight import pointed_by_hand

YARD = Place(latitude_deg=47.0, longitude_deg=8.0)
TERRACE = Place(latitude_deg=-32.4, longitude_deg=22.7)
PLACES = pytest.mark.parametrize("place", [YARD, TERRACE], ids=["north", "south"])
TERMS = PointingTerms(
    axis_east_rad=0.03,
    axis_up_rad=-0.02,
    index_hour_rad=0.01,
    index_declination_rad=-0.004,
    cone_rad=0.002,
    non_perpendicularity_rad=-0.001,
)
WIDE = PointingPrior.independent(
    PointingTerms(
        axis_east_rad=0.1,
        axis_up_rad=0.1,
        index_hour_rad=0.1,
        index_declination_rad=0.1,
        cone_rad=0.01,
        non_perpendicularity_rad=0.01,
    )
)
HOME = PointingPrior.independent(
    PointingTerms(
        axis_east_rad=math.radians(2.0),
        axis_up_rad=math.radians(2.0),
        index_hour_rad=2.0 * ARCMIN_RAD,
        index_declination_rad=2.0 * ARCMIN_RAD,
        cone_rad=2.0 * ARCMIN_RAD,
        non_perpendicularity_rad=1.0 * ARCMIN_RAD,
    )
)

LOOSE = PointingPrior.independent(
    PointingTerms(
        axis_east_rad=math.radians(2.0),
        axis_up_rad=math.radians(2.0),
        index_hour_rad=math.radians(1.0),
        index_declination_rad=math.radians(1.0),
        cone_rad=0.5 * ARCMIN_RAD,
        non_perpendicularity_rad=0.5 * ARCMIN_RAD,
    )
)


def _sighting(place, hour_deg, dec_deg, *, beyond=False, terms=TERMS, rng=None, sigma=4.0):
    hour, dec = math.radians(hour_deg), math.radians(dec_deg)
    true = pointed_by_hand(terms.array(), hour, dec, beyond, place)
    if rng is not None:
        one, other = sky_tangents(true)
        noise = rng.normal(size=2) * sigma * ARCSEC_RAD
        true = true + noise[0] * one + noise[1] * other
        true /= np.linalg.norm(true)
    return Sighting(
        hour_angle_rad=hour,
        declination_rad=dec,
        beyond_the_pole=beyond,
        direction_enu=true,
        sigma_rad=sigma * ARCSEC_RAD,
    )


@PLACES
def test_the_mechanics_are_those_of_a_mount_turned_by_hand(place):
    """Source: scipy rotations of one piece of metal after another, about the pieces' own axes."""
    rng = np.random.default_rng(2)
    for beyond in (False, True):
        for _ in range(50):
            terms = rng.normal(size=6) * 0.1
            hour, dec = rng.uniform(-3, 3), rng.uniform(-1.5, 1.5)
            ours = pointed(terms, np.array([hour]), np.array([dec]), np.array([beyond]), place)[0]
            np.testing.assert_allclose(
                ours, pointed_by_hand(terms, hour, dec, beyond, place), atol=1e-14
            )


def test_each_term_moves_the_telescope_as_the_open_literature_says():
    """Source: the classical linear model (P. T. Wallace, from memory), west-positive hour angle."""
    hour, dec = math.radians(35.0), math.radians(25.0)

    def moved(place, beyond, **terms):
        zero = pointed_by_hand(np.zeros(6), hour, dec, beyond, place)
        there = pointed(
            PointingTerms(**terms).array(),
            np.array([hour]), np.array([dec]), np.array([beyond]), place,
        )[0]  # fmt: skip
        pole = np.array([0.0, math.cos(place.latitude_rad), math.sin(place.latitude_rad)])
        east = np.cross(pole, zero) / np.linalg.norm(np.cross(pole, zero))
        west, north = -east, np.cross(zero, east)
        return np.array([west @ (there - zero), north @ (there - zero)]) / 1e-5

    step = 1e-5
    for beyond, sense in ((False, 1.0), (True, -1.0)):
        for place in (YARD, TERRACE):
            cos_d, sin_d = math.cos(dec), math.sin(dec)
            cos_h, sin_h = math.cos(hour), math.sin(hour)
            expected = {
                "index_hour_rad": (cos_d, 0.0),
                "index_declination_rad": (0.0, sense),
                "cone_rad": (-sense, 0.0),
                "non_perpendicularity_rad": (sense * sin_d, 0.0),
                "axis_east_rad": (-cos_h * sin_d, sin_h),
                "axis_up_rad": (-sin_h * sin_d, -cos_h),
            }
            for name, wanted in expected.items():
                got = moved(place, beyond, **{name: step})
                np.testing.assert_allclose(got, wanted, atol=1e-4, err_msg=name)


@PLACES
def test_the_axis_terms_survive_the_round_trip(place):
    axis = axis_of(np.array([0.05, -0.08]), place)
    np.testing.assert_allclose(axis_terms(axis, place), [0.05, -0.08], atol=1e-12)
    assert axis[2] > 0.0


@PLACES
def test_many_sightings_on_both_sides_give_back_every_term(place):
    sign = -1.0 if place.south else 1.0
    sightings = [
        _sighting(place, hour, sign * dec, beyond=beyond)
        for hour in (-50.0, -20.0, 10.0, 40.0)
        for dec in (-10.0, 25.0, 60.0)
        for beyond in (False, True)
    ]
    fit = fit_pointing(sightings, WIDE, place)
    # The prior pulls a little: 4 arcsec each against degrees.
    np.testing.assert_allclose(fit.terms.array(), TERMS.array(), atol=0.1 * ARCSEC_RAD)
    assert angle_between(fit.axis_enu, axis_of(TERMS.array(), place)) < 0.1 * ARCSEC_RAD
    assert fit.consistent
    assert fit.mounts == 1
    there = fit.direction_enu(0.3, 0.2, beyond_the_pole=True)
    reading = fit.readings_for(there, beyond_the_pole=True)
    again = fit.direction_enu(*reading, beyond_the_pole=True)
    assert angle_between(there, again) < 0.001 * ARCSEC_RAD


@PLACES
def test_the_covariance_of_the_axis_is_told_across_its_elevated_end(place):
    """A known axis put in as a prior comes out again with the same covariance."""
    axis = enu_from_altaz(abs(place.latitude_rad) + 0.02, (math.pi if place.south else 0.0) + 0.03)
    covariance = np.array([[4.0, 1.5], [1.5, 9.0]]) * ARCMIN_RAD**2
    fit = fit_pointing([], HOME.with_axis(axis, covariance, place), place)
    assert angle_between(fit.axis_enu, axis) < 1e-9
    np.testing.assert_allclose(
        fit.axis_covariance_rad2 / ARCMIN_RAD**2, covariance / ARCMIN_RAD**2, rtol=0.02, atol=0.01
    )


def test_two_sights_of_the_sun_are_as_good_as_claimed_and_one_is_not_claimed_to_be():
    """Mounts drawn from the prior: the mean normalised error squared of 100 is 1 to 3 sigma."""
    rng = np.random.default_rng(3)
    root = np.linalg.cholesky(HOME.covariance_rad2)
    squares, once, twice = [], [], []
    for _ in range(100):
        terms = PointingTerms.of(root @ rng.normal(size=6))
        looks = [
            _sighting(YARD, hour, 15.0, terms=terms, rng=rng, beyond=False)
            for hour in (-15.0, 30.0)
        ]
        once.append(fit_pointing(looks[:1], HOME, YARD).sigma_rad)
        fit = fit_pointing(looks, HOME, YARD)
        twice.append(fit.sigma_rad)
        error = (terms.array() - fit.terms.array())[:2]
        squares.append(error @ np.linalg.solve(fit.covariance_rad2[:2, :2], error) / 2.0)
    assert abs(np.mean(squares) - 1.0) < 3.0 / math.sqrt(100)
    assert np.median(once) > 5.0 * ARCMIN_RAD
    assert np.median(twice) < 1.0 * ARCMIN_RAD


def test_a_bent_valley_is_in_the_claimed_sigma():
    """One Sun on both sides of the pier, no home position: made straight, the covariance claims
    25 times too much (mean normalised error squared)."""
    rng = np.random.default_rng(9)
    root = np.linalg.cholesky(LOOSE.covariance_rad2)
    squares = []
    for _ in range(40):
        terms = PointingTerms.of(root @ rng.normal(size=6))
        looks = [
            _sighting(YARD, -15.0, 12.0, terms=terms, rng=rng, beyond=side)
            for side in (False, True)
        ]
        fit = fit_pointing(looks, LOOSE, YARD)
        error = (terms.array() - fit.terms.array())[:2]
        squares.append(error @ np.linalg.solve(fit.covariance_rad2[:2, :2], error) / 2.0)
    assert abs(np.mean(squares) - 1.0) < 3.0 / math.sqrt(40)


def test_a_second_mount_that_would_do_as_well_is_told():
    """The Sun on the equator from a mount without a home position: the data do not choose."""
    terms = PointingTerms(
        axis_east_rad=5.5 * ARCMIN_RAD,
        axis_up_rad=-263.8 * ARCMIN_RAD,
        index_hour_rad=64.9 * ARCMIN_RAD,
        index_declination_rad=27.1 * ARCMIN_RAD,
    )
    looks = [_sighting(YARD, hour, -2.5, terms=terms) for hour in (-45.0, 45.0)]
    fit = fit_pointing(looks, LOOSE, YARD)
    assert fit.mounts > 1
    error = (terms.array() - fit.terms.array())[:2]
    assert error @ np.linalg.solve(fit.covariance_rad2[:2, :2], error) < 9.0


def test_a_sight_on_the_wrong_side_of_the_pier_does_not_pass_for_consistent():
    looks = [_sighting(YARD, hour, 15.0) for hour in (-30.0, 30.0)]
    assert fit_pointing(looks, WIDE, YARD).consistent
    wrong = [looks[0], looks[1], replace(_sighting(YARD, 10.0, 15.0), beyond_the_pole=True)]
    assert not fit_pointing(wrong, WIDE, YARD).consistent


def test_a_place_beside_the_axis_that_the_cone_keeps_off_is_refused():
    coned = PointingPrior.independent(
        PointingTerms(
            axis_east_rad=1e-4,
            axis_up_rad=1e-4,
            index_hour_rad=1e-4,
            index_declination_rad=1e-4,
            cone_rad=1e-4,
            non_perpendicularity_rad=1e-4,
        ),
        mean=PointingTerms(cone_rad=math.radians(1.0)),
    )
    fit = fit_pointing([], coned, YARD)
    with pytest.raises(MeasurementError) as caught:
        fit.readings_for(fit.axis_enu, beyond_the_pole=False)
    assert caught.value.code == "unreachable"


def test_a_body_west_of_the_middle_means_that_the_telescope_points_east_of_it():
    """The Sun on the meridian in the north: west is toward azimuth 270 deg, north is up."""
    body = enu_from_altaz(math.radians(40.0), math.pi)
    pole = np.array([0.0, math.cos(YARD.latitude_rad), math.sin(YARD.latitude_rad)])
    aimed = optical_axis_enu(body, 10.0 * ARCMIN_RAD, 5.0 * ARCMIN_RAD, pole)
    assert aimed[0] == pytest.approx(10.0 * ARCMIN_RAD, rel=1e-4)
    assert math.asin(aimed[2]) == pytest.approx(math.radians(40.0) - 5.0 * ARCMIN_RAD, abs=1e-5)
