"""Advice on what to look at next: promises that the fit then keeps, and plain refusals."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from polewright.core.axis.pointing_model import fit_pointing
from polewright.core.axis.sighting_plan import advise, possible_looks, what_cannot_be_told
from polewright.core.axis.sightings import Sighting
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.place import Place
from tests.bench.daylight import prior_of

TERRACE = Place(latitude_deg=-32.4, longitude_deg=22.7, elevation_m=1250.0)
MORNING = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)
EVENING = MORNING + timedelta(hours=8)
SIGMA = 12.0 * ARCSEC_RAD


def _looks(start=MORNING, **options):
    options = {"bodies": (Body.SUN,), **options}
    return possible_looks(TERRACE, start, EVENING, sigma_rad=SIGMA, step_s=1200.0, **options)


def _taken(look, fit):
    """Take an advised look, as a mount that is just as the fit says would."""
    hour, dec = fit.readings_for(look.seen.direction_enu, beyond_the_pole=look.beyond_the_pole)
    return Sighting(
        hour_angle_rad=hour,
        declination_rad=dec,
        beyond_the_pole=look.beyond_the_pole,
        direction_enu=look.seen.direction_enu,
        sigma_rad=look.sigma_rad,
    )


def test_the_sun_now_and_later_is_advised_and_the_promise_is_kept():
    prior = prior_of(2.0, 2.0, 1.0)
    fit = fit_pointing([], prior, TERRACE)
    advice = advise(fit, _looks(), wish_rad=1.5 * ARCMIN_RAD)
    assert advice.reaches_wish
    assert len(advice.looks) == 2
    sightings = []
    for look, promised in zip(advice.looks, advice.sigmas_rad, strict=True):
        sightings.append(_taken(look, fit))
        assert fit_pointing(sightings, prior, TERRACE).sigma_rad == pytest.approx(promised, rel=0.1)
    assert advice.sigmas_rad[0] > 3.0 * ARCMIN_RAD
    words = advice.words(timezone(timedelta(hours=2)), MORNING)
    assert words.startswith("now the Sun (")
    assert "wait until" in words
    assert "no better" not in words


def test_a_bolder_wish_waits_longer_and_the_other_side_of_the_pier_shortens_the_wait():
    fit = fit_pointing([], prior_of(2.0, 2.0, 1.0), TERRACE)
    soon = advise(fit, _looks(), wish_rad=2.0 * ARCMIN_RAD)
    late = advise(fit, _looks(), wish_rad=1.0 * ARCMIN_RAD)
    assert late.looks[-1].instant > soon.looks[-1].instant
    first = _looks()[0]
    after = fit_pointing([_taken(first, fit)], fit.prior, TERRACE)
    one_side = advise(after, _looks()[1:], wish_rad=0.6 * ARCMIN_RAD)
    both = advise(after, _looks(sides=(False, True))[2:], wish_rad=0.6 * ARCMIN_RAD)
    assert both.reaches_wish
    assert not one_side.reaches_wish or both.looks[-1].instant < one_side.looks[-1].instant


def test_what_one_sight_cannot_tell_is_said_with_the_term_that_hides_it():
    prior = prior_of(60.0, 0.5, 0.5)
    fit = fit_pointing([], prior, TERRACE)
    noon = min(_looks(), key=lambda look: abs(look.seen.azimuth_rad - 0.0) % (2 * math.pi))
    once = fit_pointing([_taken(noon, fit)], prior, TERRACE)
    told = what_cannot_be_told(once, wish_rad=5.0 * ARCMIN_RAD)
    assert told is not None
    assert "only" in told
    assert "deg" in told
    known = fit_pointing([], prior_of(0.1, 0.1, 0.1), TERRACE)
    assert what_cannot_be_told(known, wish_rad=math.radians(5.0)) is None


def test_nothing_in_sight_is_said_to_help_where_nothing_does():
    fit = fit_pointing([], prior_of(2.0, 2.0, 1.0), TERRACE)
    advice = advise(fit, [], wish_rad=1.0 * ARCMIN_RAD)
    assert advice.looks == ()
    assert not advice.reaches_wish
    assert "nothing in sight helps" in advice.words(UTC, MORNING)


def test_bodies_that_are_low_or_beside_the_sun_are_not_offered():
    """Venus was in conjunction on 2026-10-24 (lower) and on 2026-01-06 (upper)."""
    beside = possible_looks(
        TERRACE,
        datetime(2026, 10, 24, 9, tzinfo=UTC),
        datetime(2026, 10, 24, 10, tzinfo=UTC),
        bodies=(Body.VENUS, Body.SUN),
        sigma_rad=SIGMA,
    )
    assert {look.seen.body for look in beside} == {Body.SUN}
    night = possible_looks(
        TERRACE, EVENING + timedelta(hours=6), EVENING + timedelta(hours=7),
        bodies=(Body.SUN,), sigma_rad=SIGMA,
    )  # fmt: skip
    assert night == []


@pytest.mark.parametrize(
    ("term", "words"),
    [
        (2, "the zero point of the hour angle"),
        (3, "the zero point of the declination"),
        (4, "the telescope's cone"),
        (5, "the squareness of the axes"),
    ],
)
@pytest.mark.parametrize("likeness", [0.7, 0.95])
def test_the_term_that_goes_along_with_the_axis_is_the_one_that_is_named(term, words, likeness):
    sigmas = np.array([10.0, 0.5, 2.0, 2.0, 2.0, 2.0]) * ARCMIN_RAD
    alike = np.eye(6)
    alike[0, term] = alike[term, 0] = likeness
    fit = replace(
        fit_pointing([], prior_of(2.0, 2.0, 1.0), TERRACE),
        covariance_rad2=alike * np.outer(sigmas, sigmas),
    )
    told = what_cannot_be_told(fit, wish_rad=ARCMIN_RAD)
    assert told is not None
    # From four fifths on it takes the axis's place.
    assert told.endswith(f"cannot tell it from {words}") == (likeness > 0.8)
    assert ("cannot tell it from" in told) == (likeness > 0.8)


def test_a_look_that_would_hardly_help_is_not_advised():
    """An axis known to 2 arcsec gains nothing from a look that is good to 12."""
    fit = replace(
        fit_pointing([], prior_of(2.0, 2.0, 1.0), TERRACE),
        covariance_rad2=np.eye(6) * (2.0 * ARCSEC_RAD) ** 2,
    )
    advice = advise(fit, _looks()[:3], wish_rad=0.5 * ARCSEC_RAD)
    assert advice.looks == ()
    assert not advice.reaches_wish
    assert advice.words(UTC, MORNING).startswith("nothing in sight helps")
