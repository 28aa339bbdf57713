"""Plan of sightings: which body to look at next and when, what that will give, and what cannot be
told.

Promised sigmas are those of the model made straight about the present fit; where a term is known
to degrees only, the fit afterwards may claim more.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import numpy as np

from polewright.core.axis.correction import amount_words
from polewright.core.axis.pointing_mechanics import across_axis
from polewright.core.axis.pointing_model import PointingFit, told_by
from polewright.core.geometry.directions import altaz_from_enu
from polewright.core.geometry.rotations import Matrix
from polewright.core.sky.bodies import BodyPlace, body_at
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place

LOWEST_RAD = math.radians(15.0)
"""Below this the air's refraction is not known to the arcsecond."""

# Waiting longer for less than this gain is not worth it.
_WORTH_WAITING = 1.1
# A term that follows the axis this closely hides it.
_HIDES = 0.8
_TERM_WORDS = (
    "the zero point of the hour angle",
    "the zero point of the declination",
    "the telescope's cone",
    "the squareness of the axes",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """One possible observation: a body, when, on which side of the pier, and its sigma (rad)."""

    seen: BodyPlace
    instant: datetime
    beyond_the_pole: bool
    sigma_rad: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Advice:
    """What to do next.

    Attributes
    ----------
    looks : tuple of Look
        The next one, and the one after it where one is not enough; empty: nothing helps.
    sigmas_rad : tuple of float
        Of the axis along its worst direction after each (rad).
    sigma_now_rad : float
        The same before (rad).
    reaches_wish : bool
        Whether the last one is good enough.
    """

    looks: tuple[Look, ...]
    sigmas_rad: tuple[float, ...]
    sigma_now_rad: float
    reaches_wish: bool

    def words(self, zone: tzinfo, now: datetime) -> str:
        """Return the advice as a person says it, in the clock time of a zone."""
        if not self.looks:
            now_words = amount_words(self.sigma_now_rad)
            return f"nothing in sight helps: the axis stays known to {now_words}"
        parts = [
            f"{_when(look, zone, now)} {_what(look)}, then {amount_words(sigma)}"
            for look, sigma in zip(self.looks, self.sigmas_rad, strict=True)
        ]
        text = "; ".join(parts)
        return text if self.reaches_wish else f"{text}: no better until the end of the plan"


def possible_looks(
    place: Place,
    start: datetime,
    end: datetime,
    *,
    bodies: Iterable[Body] = (Body.SUN, Body.MOON, Body.VENUS, Body.JUPITER),
    sides: Iterable[bool] = (False,),
    sigma_rad: float,
    step_s: float = 600.0,
    lowest_rad: float = LOWEST_RAD,
    nearest_to_sun_rad: float = math.radians(15.0),
) -> list[Look]:
    """Return what could be looked at, in order of time.

    Parameters
    ----------
    bodies : iterable of Body
        Which may be looked at at all: the Sun only with its filter on, others only with it off.
    sides : iterable of bool
        Sides of the pier: False, and True for beyond the pole.
    sigma_rad : float
        Centroid and repeatability of the mount together (rad); the series' own is added.
    lowest_rad : float
        Nothing below this altitude.
    nearest_to_sun_rad : float
        Nothing nearer to the Sun than this, but the Sun itself.
    """
    looks: list[Look] = []
    for count in range(int((end - start).total_seconds() // step_s) + 1):
        instant = start + timedelta(seconds=count * step_s)
        moment = ObservingMoment.at(place, instant)
        for body in bodies:
            seen = body_at(body, moment)
            dazzled = body is not Body.SUN and seen.elongation_rad < nearest_to_sun_rad
            if seen.altitude_rad < lowest_rad or dazzled:
                continue
            looks.extend(
                Look(
                    seen=seen,
                    instant=instant,
                    beyond_the_pole=beyond,
                    sigma_rad=math.hypot(sigma_rad, seen.accuracy_rad),
                )
                for beyond in sides
            )
    return looks


def advise(fit: PointingFit, looks: Sequence[Look], *, wish_rad: float) -> Advice:
    """Return the look, or the two looks, that bring the axis to a sigma soonest.

    Where none does, the best ones; among those nearly as good the earliest.
    """
    known = np.linalg.inv(fit.covariance_rad2)
    gains = [(look, gain) for look in looks if (gain := _gain(fit, look)) is not None]
    now, across = fit.sigma_rad, across_axis(fit.terms.array(), fit.place)
    options: list[tuple[tuple[Look, ...], tuple[float, ...]]] = []
    for index, (first, first_gain) in enumerate(gains):
        once = _sigma(across, known + first_gain)
        options.append(((first,), (once,)))
        options.extend(
            ((first, second), (once, _sigma(across, known + first_gain + second_gain)))
            for second, second_gain in gains[index + 1 :]
        )
    enough = [option for option in options if option[1][-1] <= wish_rad]
    if enough:
        # Soonest done; of those with fewest looks, then the best.
        looks_, sigmas = min(enough, key=lambda o: (o[0][-1].instant, len(o[0]), o[1][-1]))
        return Advice(looks=looks_, sigmas_rad=sigmas, sigma_now_rad=now, reaches_wish=True)
    if not options or min(option[1][-1] for option in options) > now / _WORTH_WAITING:
        return Advice(looks=(), sigmas_rad=(), sigma_now_rad=now, reaches_wish=now <= wish_rad)
    best = min(option[1][-1] for option in options)
    near = [option for option in options if option[1][-1] <= best * _WORTH_WAITING]
    looks_, sigmas = min(near, key=lambda o: (o[0][-1].instant, len(o[0]), o[1][-1]))
    return Advice(looks=looks_, sigmas_rad=sigmas, sigma_now_rad=now, reaches_wish=False)


def what_cannot_be_told(fit: PointingFit, *, wish_rad: float) -> str | None:
    """Return plainly what the data do not say; None where the axis is known to the wish."""
    if fit.sigma_rad <= wish_rad:
        return None
    if fit.mounts > 1:
        return (
            f"{fit.mounts} different mounts fit these sights: the axis is known to "
            f"{amount_words(fit.sigma_rad)} only"
        )
    values, vectors = np.linalg.eigh(fit.axis_covariance_rad2)
    sideways, upward = (abs(float(part)) for part in vectors[:, -1])
    which = "altitude" if upward > 2.0 * sideways else "azimuth" if sideways > 2.0 * upward else ""
    which = f"the {which} of the axis" if which else "the axis along one slanting line"
    size = f"{which} is known to {amount_words(math.sqrt(values[-1]))} only"
    hidden_by = _hidden_by(fit)
    return f"{size}: these sights cannot tell it from {hidden_by}" if hidden_by else size


def _hidden_by(fit: PointingFit) -> str:
    """Return the term that takes the axis's place along its worst direction, if one does."""
    covariance = np.asarray(fit.covariance_rad2)
    _, vectors = np.linalg.eigh(covariance[:2, :2])
    along = np.zeros(covariance.shape[0])
    along[:2] = vectors[:, -1]
    variance = float(along @ covariance @ along)
    likeness = np.abs(covariance @ along) / np.sqrt(np.diag(covariance) * variance)
    term = int(np.argmax(likeness[2:]))
    return _TERM_WORDS[term] if likeness[2 + term] > _HIDES else ""


def _gain(fit: PointingFit, look: Look) -> Matrix | None:
    """Return what a look would tell (6 x 6, rad^-2); None where the mount cannot point there."""
    return told_by(
        fit,
        look.seen.direction_enu,
        beyond_the_pole=look.beyond_the_pole,
        sigma_rad=look.sigma_rad,
    )


def _sigma(across: Matrix, information: Matrix) -> float:
    """Return the axis's sigma along its worst direction (rad)."""
    covariance = across @ np.linalg.inv(information)[:2, :2] @ across.T
    half_trace = 0.5 * (covariance[0, 0] + covariance[1, 1])
    apart = math.hypot(0.5 * (covariance[0, 0] - covariance[1, 1]), covariance[0, 1])
    return math.sqrt(float(half_trace + apart))


def _when(look: Look, zone: tzinfo, now: datetime) -> str:
    if (look.instant - now).total_seconds() < 60.0:
        return "now"
    return f"wait until {look.instant.astimezone(zone):%H:%M}:"


def _what(look: Look) -> str:
    body = look.seen.body
    name = f"the {body.value.capitalize()}" if body in (Body.SUN, Body.MOON) else body.capitalize()
    altitude, _ = altaz_from_enu(look.seen.direction_enu)
    side = ", on the other side of the pier" if look.beyond_the_pole else ""
    return f"{name} ({math.degrees(altitude):.0f} deg high{side})"
