"""What does not fit is named: a slip, a moved axis, a wrong field, a telescope set anew."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import chi2

from polewright.core.axis.pointing_faults import PointingFault, explain
from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.axis.pointing_model import fit_pointing
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, sky_tangents
from tests.bench.daylight import pointed_by_hand
from tests.bench.pointing import CARRIED, PLACES, sighting, sky_of

GOOD = PointingTerms(index_hour_rad=0.01, index_declination_rad=-0.008)
RNG_SEED = 5


def _sightings(place, terms, count=7, *, both_sides=True, slipped_from=99, slip_rad=0.0):
    rng = np.random.default_rng(RNG_SEED)
    sky = sky_of(place, both_sides=both_sides)
    chosen = [sky[int(index)] for index in np.linspace(0, len(sky) - 1, count)]
    looks = []
    for number, point in enumerate(chosen):
        array = terms.array()
        array[2] += slip_rad if number >= slipped_from else 0.0
        reading = (point.hour_angle_rad, point.declination_rad)
        label = f"field {number + 1}"
        looks.append(sighting(array, reading, point.beyond_the_pole, place, rng, label))
    return looks


@pytest.mark.parametrize("hemisphere", PLACES)
class TestNamed:
    def test_fields_that_fit_need_no_explanation(self, hemisphere):
        place = PLACES[hemisphere]
        assert fit_pointing(_sightings(place, GOOD), CARRIED.prior(), place).consistent

    def test_a_telescope_that_was_set_anew(self, hemisphere):
        place = PLACES[hemisphere]
        terms = replace(GOOD, cone_rad=12.0 * ARCMIN_RAD)
        fit = fit_pointing(_sightings(place, terms), CARRIED.prior(), place)
        assert not fit.consistent
        found = explain(fit)
        assert found.fault is PointingFault.REMOUNTED
        assert found.fit is not None
        assert found.fit.terms.cone_rad == pytest.approx(12.0 * ARCMIN_RAD, abs=0.5 * ARCMIN_RAD)

    def test_an_axis_that_is_elsewhere_and_by_how_much(self, hemisphere):
        place = PLACES[hemisphere]
        terms = replace(GOOD, axis_up_rad=9.0 * ARCMIN_RAD)
        found = explain(fit_pointing(_sightings(place, terms), CARRIED.prior(), place))
        assert found.fault is PointingFault.AXIS_MOVED
        told = float(found.words.split("axis is ")[1].split(" arcmin")[0])
        assert told == pytest.approx(9.0, abs=0.7)

    def test_a_field_that_does_not_fit_the_others(self, hemisphere):
        place = PLACES[hemisphere]
        looks = _sightings(place, GOOD)
        looks[3] = replace(looks[3], declination_rad=looks[3].declination_rad + 4 * ARCMIN_RAD)
        found = explain(fit_pointing(looks, CARRIED.prior(), place))
        assert found.fault is PointingFault.ONE_FIELD
        assert found.field == "field 4"
        assert found.fit is not None
        assert len(found.fit.sightings) == 6

    def test_a_slip_and_between_which_fields(self, hemisphere):
        place = PLACES[hemisphere]
        looks = _sightings(place, GOOD, slipped_from=4, slip_rad=math.radians(0.2))
        found = explain(fit_pointing(looks, CARRIED.prior(), place))
        assert found.fault is PointingFault.SLIPPED
        assert "between field 4 and field 5" in found.words


def test_two_fields_that_several_faults_explain_are_not_explained():
    place = PLACES["north"]
    looks = _sightings(place, replace(GOOD, cone_rad=20.0 * ARCMIN_RAD), 2, both_sides=False)
    fit = fit_pointing(looks, CARRIED.prior(), place)
    assert not fit.consistent
    found = explain(fit)
    assert found.fault is PointingFault.UNKNOWN
    assert "either" in found.words


def _least_with_a_slip(looks, known, place, slipped_from):
    """The least chi-square with both zero points free to shift, by scipy over the mechanics turned
    by hand: six terms and two shifts."""
    sigmas = np.array([known.axis, known.axis, known.index, known.index, known.cone, known.square])
    sigmas = sigmas * ARCSEC_RAD

    def misfit(unknowns):
        rows = [unknowns[:6] / sigmas]
        for number, look in enumerate(looks):
            shift = unknowns[6:] if number >= slipped_from else np.zeros(2)
            terms = unknowns[:6] + np.array([0.0, 0.0, *shift, 0.0, 0.0])
            reading = (look.hour_angle_rad, look.declination_rad)
            there = pointed_by_hand(terms, *reading, look.beyond_the_pole, place)
            across = np.stack(sky_tangents(look.direction_enu))
            rows.append(across @ (there - look.direction_enu) / look.sigma_rad)
        return np.concatenate(rows)

    start = np.concatenate([GOOD.array(), np.zeros(2)])
    return 2.0 * least_squares(misfit, start, x_scale=1e-4, max_nfev=12).cost


@pytest.mark.parametrize(("scatter", "named"), [(1.35, True), (1.6, False)])
def test_a_slip_is_named_while_chance_leaves_as_much_once_in_a_hundred(scatter, named):
    """By scipy's chi-square; the two shifts take two from the degrees of freedom."""
    place = PLACES["north"]
    jitter = np.random.default_rng(2).normal(size=(5, 2)) * scatter * 10.0 * ARCSEC_RAD
    slipped = _sightings(place, GOOD, 5, slipped_from=3, slip_rad=math.radians(0.4))
    looks = [
        replace(
            look,
            hour_angle_rad=look.hour_angle_rad + hour,
            declination_rad=look.declination_rad + dec,
        )
        for look, (hour, dec) in zip(slipped, jitter, strict=True)
    ]
    fit = fit_pointing(looks, CARRIED.prior(), place)
    chance = chi2.sf(_least_with_a_slip(looks, CARRIED, place, 3), fit.degrees_of_freedom - 2)
    assert 0.002 < chance < 0.05, "a test of the bound is to be near it"
    assert bool(chance >= 0.01) is named
    assert (explain(fit).fault is PointingFault.SLIPPED) is named
