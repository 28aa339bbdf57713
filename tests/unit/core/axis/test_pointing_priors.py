"""What earlier evenings are good for: cone and squareness at once, home after three evenings."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.axis.pointing_priors import (
    INDEX_RAD,
    WANDER_RAD,
    EarlierTerms,
    prior_from,
    unmeasured_prior,
    without_axis,
    without_shape,
)
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD


def _evening(index_arcmin=0.0, cone_arcmin=3.0, sigma_arcsec=10.0):
    return EarlierTerms(
        terms=PointingTerms(
            index_hour_rad=index_arcmin * ARCMIN_RAD,
            index_declination_rad=-index_arcmin * ARCMIN_RAD,
            cone_rad=cone_arcmin * ARCMIN_RAD,
        ),
        covariance_rad2=np.eye(6) * (sigma_arcsec * ARCSEC_RAD) ** 2,
    )


def _from_home(*indices_arcmin):
    evenings = [_evening(index) for index in indices_arcmin]
    return prior_from(evenings, homes=[evening.terms for evening in evenings])


def _sigmas(prior):
    return np.sqrt(np.diag(prior.covariance_rad2))


def test_nothing_earlier_is_a_mount_set_up_by_eye():
    assert np.array_equal(prior_from([]).covariance_rad2, unmeasured_prior().covariance_rad2)


def test_cone_and_squareness_are_carried_with_a_nights_wander():
    prior = prior_from([_evening(cone_arcmin=9.0), _evening(cone_arcmin=3.0)])
    assert prior.mean.cone_rad == pytest.approx(3.0 * ARCMIN_RAD)
    assert _sigmas(prior)[4] == pytest.approx(math.hypot(10.0 * ARCSEC_RAD, WANDER_RAD))
    assert _sigmas(prior)[2] == pytest.approx(INDEX_RAD)


def test_home_is_believed_once_three_evenings_agree():
    prior = _from_home(20.0, 21.0, 19.0)
    assert prior.mean.index_hour_rad == pytest.approx(20.0 * ARCMIN_RAD)
    assert 1.0 * ARCMIN_RAD < _sigmas(prior)[2] < 5.0 * ARCMIN_RAD


def test_home_is_not_believed_where_evenings_differ():
    prior = _from_home(-90.0, 100.0, 10.0)
    assert _sigmas(prior)[2] == pytest.approx(INDEX_RAD)


def test_a_mount_set_by_eye_stays_unknown_however_many_evenings():
    """Home drawn with a sigma of 30 arcmin: the next one is inside 2 sigma as often as normal."""
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(400):
        draws = rng.normal(scale=30.0, size=6)
        prior = _from_home(*draws[:5])
        away = draws[5] * ARCMIN_RAD - prior.mean.index_hour_rad
        inside.append(abs(away) < 2.0 * _sigmas(prior)[2])
    assert np.mean(inside) > 0.93


def test_what_is_doubted_is_forgotten_and_nothing_else():
    prior = prior_from([_evening()])
    shape, axis = without_shape(prior), without_axis(prior)
    assert shape.mean.cone_rad == 0.0
    assert _sigmas(shape)[4] == _sigmas(unmeasured_prior())[4]
    assert np.array_equal(_sigmas(shape)[:4], _sigmas(prior)[:4])
    assert _sigmas(axis)[0] == _sigmas(unmeasured_prior())[0]
    assert np.array_equal(_sigmas(axis)[2:], _sigmas(prior)[2:])


def test_what_nobody_has_measured_is_between_a_minute_of_arc_and_a_few_degrees():
    """Common practice, no source: an eye sets an axis or a home to degrees, and a workshop makes
    cone and squareness to minutes, better than an eye sets anything."""
    sigmas = _sigmas(unmeasured_prior())
    assert np.all((sigmas > 1.0 * ARCMIN_RAD) & (sigmas < math.radians(3.0)))
    assert max(sigmas[4:]) < min(sigmas[:4])


@pytest.mark.parametrize("evenings", [4, 5, 8, 12])
def test_home_is_as_sure_as_one_more_draw_by_students_t(evenings):
    """Source: scipy's standard deviation of Student's t, for a draw beside the mean of so many."""
    draws = np.random.default_rng(evenings).normal(scale=2.0, size=evenings)
    sigma = np.std(draws, ddof=1) * math.sqrt(1.0 + 1.0 / evenings) * student(evenings - 1).std()
    assert _sigmas(_from_home(*draws))[2] / ARCMIN_RAD == pytest.approx(sigma)
