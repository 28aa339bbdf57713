"""Go-to checks: what a field that no fit has seen says of what was promised."""

import math
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from polewright.core.axis.estimate import MISFIT_PROBABILITY, chi2_survival
from polewright.core.axis.goto_error import SkyPoint, modelled_goto_rad, sensitivity
from polewright.core.axis.pointing_model import PointingFit
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.session.field_sightings import FieldSighting, Shift
from polewright.session.sky_fields import observed_enu


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What was promised (rms; None where nothing was) and what was met at one field (rad)."""

    promised_rad: float | None
    met_rad: float


def check_model(fit: PointingFit, found: FieldSighting) -> tuple[Check, bool]:
    """Compare where the model says that the telescope points with where it does.

    Returns
    -------
    Check
        Both.
    bool
        Whether the difference is no more than chance.
    """
    promised = _known_rad(fit, found)
    met = angle_between(_modelled_enu(fit, found), found.sighting.direction_enu)
    # Each of two components half of the whole: near enough to the exact ellipse.
    chance = chi2_survival(2.0 * (met / promised) ** 2, 2)
    return Check(promised_rad=promised, met_rad=met), chance >= MISFIT_PROBABILITY


def check_mount(
    fit: PointingFit | None, found: FieldSighting, place: Place, now: datetime
) -> Check:
    """Compare where the mount itself says that it points with where it does.

    Without a fit nothing was promised.
    """
    hour, declination = (math.degrees(angle) for angle in found.shown_rad)
    shown = observed_enu(hour, declination, ObservingMoment.at(place, now))
    promised = None
    if fit is not None:
        promised = math.hypot(
            angle_between(_modelled_enu(fit, found), shown), _known_rad(fit, found)
        )
    return Check(promised_rad=promised, met_rad=angle_between(shown, found.sighting.direction_enu))


def as_shown_now(fit: PointingFit, shift: Shift) -> PointingFit:
    """Return the mount with its zero points where syncs have put them."""
    terms = replace(
        fit.terms,
        index_hour_rad=fit.terms.index_hour_rad - shift.hour_rad,
        index_declination_rad=fit.terms.index_declination_rad - shift.raw_declination_rad,
    )
    return replace(fit, terms=terms)


def _modelled_enu(fit: PointingFit, found: FieldSighting) -> Vector:
    one = found.sighting
    return fit.direction_enu(
        one.hour_angle_rad, one.declination_rad, beyond_the_pole=one.beyond_the_pole
    )


def _known_rad(fit: PointingFit, found: FieldSighting) -> float:
    """Return how well the model knows that direction, the sighting's own noise included (rad)."""
    one = found.sighting
    point = SkyPoint(
        hour_angle_rad=one.hour_angle_rad,
        declination_rad=one.declination_rad,
        beyond_the_pole=one.beyond_the_pole,
        direction_enu=one.direction_enu,
    )
    weights = sensitivity(fit.terms, [point], fit.place)
    return modelled_goto_rad(np.asarray(fit.covariance_rad2), weights, one.sigma_rad)
