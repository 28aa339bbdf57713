"""What does not fit is named: a slip, a moved axis, a wrong field, a telescope set anew."""

import math
from dataclasses import replace

import numpy as np
import pytest

from polewright.core.axis.pointing_faults import PointingFault, explain
from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.axis.pointing_model import fit_pointing
from polewright.core.geometry.directions import ARCMIN_RAD
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
