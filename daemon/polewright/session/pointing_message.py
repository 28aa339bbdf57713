"""Pointing message: what a star alignment found, as displays are told it."""

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from polewright.core.axis.correction import Verdict
from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.geometry.directions import ARCSEC_RAD, altaz_from_enu
from polewright.session.messages import Message
from polewright.session.star_alignment import AlignmentOutcome, StarAlignmentWish, SyncWay

# Terms that only a fraction of the sky would show are told to a tenth of an arcsecond.
_DIGITS = 1

TERM_WORDS: Mapping[str, str] = {
    "axis_east": "axis, its northern end toward the east",
    "axis_up": "axis, its northern end toward the upper meridian",
    "index_hour": "zero point of the hour angle",
    "index_declination": "zero point of the declination",
    "cone": "cone: the telescope against the square on the declination axis",
    "non_perpendicularity": "the declination axis against the square on the polar axis",
}


def pointing_message(outcome: AlignmentOutcome, wish: StarAlignmentWish) -> Message:
    """Return the ``pointing`` payload."""
    fit = outcome.fit_now
    terms: list[dict[str, object]] = []
    axis: tuple[float | None, float | None] = (None, None)
    if fit is not None:
        sigmas = np.sqrt(np.diag(fit.covariance_rad2))
        for one, value, sigma in zip(fields(PointingTerms), fit.terms.array(), sigmas, strict=True):
            terms.append(
                {
                    "name": one.name.removesuffix("_rad"),
                    "arcsec": round(float(value) / ARCSEC_RAD, _DIGITS),
                    "sigma_arcsec": round(float(sigma) / ARCSEC_RAD, _DIGITS),
                }
            )
        altitude, azimuth = altaz_from_enu(fit.axis_enu)
        axis = (round(math.degrees(altitude), 5), round(math.degrees(azimuth), 5))
    return {
        "syncs": wish.syncs.value,
        "verdict": verdict_of(outcome, wish).value,
        "goto_model_arcsec": _arcsec(outcome.modelled_goto_rad),
        "goto_own_arcsec": _arcsec(outcome.own_goto_rad),
        "goto_wish_arcsec": wish.goto_arcsec,
        "check_promised_arcsec": _arcsec(outcome.check.promised_rad),
        "check_met_arcsec": _arcsec(outcome.check.met_rad),
        "fields": outcome.fields,
        "rejected_fields": outcome.rejected,
        "spoiled_fields": outcome.spoiled,
        "terms": terms,
        "axis_altitude_deg": axis[0],
        "axis_azimuth_deg": axis[1],
        "chi2": None if fit is None else round(fit.chi2, 2),
        "degrees_of_freedom": None if fit is None else fit.degrees_of_freedom,
    }


def verdict_of(outcome: AlignmentOutcome, wish: StarAlignmentWish) -> Verdict:
    """Return whether go-tos are as good as wished, the way they will be done.

    A mount that is told where it points is then sent by its own coordinates; one that is not told
    is sent through the model.  Where its own model hides it, the one check is all that is known.
    """
    by_itself = wish.syncs is not SyncWay.NEVER
    expected = outcome.own_goto_rad if by_itself else outcome.modelled_goto_rad
    if expected is None:
        expected = outcome.check.met_rad
    good = expected <= wish.goto_arcsec * ARCSEC_RAD
    return Verdict.GOOD_ENOUGH if good else Verdict.NOT_YET


def terms_words(message: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the terms as a person reads them, one line each."""
    lines = []
    for term in message["terms"]:
        value, sigma = angle_words(term["arcsec"]), angle_words(term["sigma_arcsec"])
        lines.append(f"{TERM_WORDS[term['name']]}: {value} +- {sigma}")
    return tuple(lines)


def angle_words(arcsec: float) -> str:
    """Return an angle (arcsec) as a person reads it."""
    if abs(arcsec) < 90.0:
        return f"{arcsec:.0f} arcsec"
    return f"{arcsec / 60.0:.1f} arcmin" if abs(arcsec) < 5400.0 else f"{arcsec / 3600.0:.2f} deg"


def _arcsec(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else round(angle_rad / ARCSEC_RAD, 1)
