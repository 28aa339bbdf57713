"""Pointing faults: what is wrong where sightings and what was known before do not fit together.

Each explanation frees two numbers (a cone and a squareness, an axis, one field, the two zero
points from one field on), so the one that leaves least is the one to name; where two leave about
as little, nobody can tell.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.estimate import chi2_survival
from polewright.core.axis.pointing_mechanics import axis_of
from polewright.core.axis.pointing_model import PointingFit, fit_pointing
from polewright.core.axis.pointing_priors import without_axis, without_shape
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCMIN_RAD, angle_between

# An explanation has to leave a misfit that is no fault itself.
_EXPLAINS_PROBABILITY = 0.01
# And to leave less than any other, by a likelihood ratio of 20.
_CLEARLY_BETTER = 6.0
_STEP_RAD = 1.0 * ARCMIN_RAD


class PointingFault(StrEnum):
    """What does not fit."""

    REMOUNTED = "telescope_remounted"
    AXIS_MOVED = "axis_moved"
    ONE_FIELD = "field_does_not_fit"
    SLIPPED = "mount_slipped"
    UNKNOWN = "fields_disagree"


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The fault, in words and with a remedy, and the fit without it where there is one.

    ``field`` is the label of the field that does not fit, if it is one.
    """

    fault: PointingFault
    words: str
    remedy: str
    fit: PointingFit | None = None
    field: str = ""


def explain(fit: PointingFit) -> Explanation:
    """Return what a misfit comes from.

    Parameters
    ----------
    fit : PointingFit
        One that is not consistent.
    """
    found = sorted(
        ((chi2, explanation) for chi2, freedom, explanation in _explanations(fit)
         if chi2_survival(chi2, freedom) >= _EXPLAINS_PROBABILITY),
        key=lambda one: one[0],
    )  # fmt: skip
    if not found:
        return _unknown("no single fault explains it")
    best = found[0]
    rivals = [
        other for chi2, other in found[1:]
        if other.fault is not best[1].fault and chi2 < best[0] + _CLEARLY_BETTER
    ]  # fmt: skip
    if rivals:
        either = " or ".join(dict.fromkeys(one.words for one in (best[1], *rivals)))
        return _unknown(f"either {either}")
    return best[1]


def _unknown(words: str) -> Explanation:
    return Explanation(
        fault=PointingFault.UNKNOWN,
        words=f"the fields do not fit one mount: {words}",
        remedy="Check clamps, cables, tripod and clutches; survey, then align again.",
    )


def _explanations(fit: PointingFit) -> Iterator[tuple[float, int, Explanation]]:
    """Yield chi-square and degrees of freedom that each explanation leaves."""
    yield from _refitted(
        fit, without_shape(fit.prior), PointingFault.REMOUNTED,
        lambda _: "the telescope or the camera sits otherwise than on earlier evenings",
        "Nothing to do: what earlier evenings taught of the cone is left aside.",
    )  # fmt: skip
    believed = axis_of(fit.prior.mean.array(), fit.place)
    yield from _refitted(
        fit, without_axis(fit.prior), PointingFault.AXIS_MOVED,
        lambda new: (
            f"the polar axis is {angle_between(new.axis_enu, believed) / ARCMIN_RAD:.1f} arcmin "
            "from where it was measured: bolts were turned or the tripod moved since"
        ),
        "Survey again (and adjust where needed), then align.",
    )  # fmt: skip
    sightings = fit.sightings
    if len(sightings) < 3:
        return
    for index, sighting in enumerate(sightings):
        rest = [*sightings[:index], *sightings[index + 1 :]]
        if (new := _fitted(rest, fit.prior, fit)) is not None:
            yield (
                new.chi2,
                new.degrees_of_freedom,
                Explanation(
                    fault=PointingFault.ONE_FIELD,
                    words=f"{sighting.label} does not fit the others",
                    remedy="It is left out and another one taken.",
                    fit=new,
                    field=sighting.label,
                ),
            )
    for index in range(1, len(sightings)):
        between = f"between {sightings[index - 1].label} and {sightings[index].label}"
        chi2 = _slipped_chi2(fit, index)
        yield (
            chi2,
            fit.degrees_of_freedom - 2,
            Explanation(
                fault=PointingFault.SLIPPED,
                words=f"the mount's own reckoning slipped {between}: a clutch, a cable, a hand, or "
                "play in its gears",
                remedy="Tighten the clutches, free the cables, then align again. If it comes "
                "again it is play: set [star_alignment] repeatability_arcsec to half of it.",
            ),
        )


def _refitted(
    fit: PointingFit,
    prior: PointingPrior,
    fault: PointingFault,
    words: Callable[[PointingFit], str],
    remedy: str,
) -> Iterator[tuple[float, int, Explanation]]:
    new = _fitted(fit.sightings, prior, fit)
    if new is not None:
        yield (
            new.chi2,
            new.degrees_of_freedom,
            Explanation(fault=fault, words=words(new), remedy=remedy, fit=new),
        )


def _fitted(
    sightings: Sequence[Sighting], prior: PointingPrior, fit: PointingFit
) -> PointingFit | None:
    try:
        return fit_pointing(sightings, prior, fit.place)
    except MeasurementError:
        return None


def _slipped_chi2(fit: PointingFit, index: int) -> float:
    """Return the least chi-square with both zero points shifted from one field on.

    Near its least it is a parabola of the two shifts: six of its values give it.
    """
    one, other = np.eye(2) * _STEP_RAD
    steps = [np.zeros(2), one, -one, other, -other, one + other]
    values = []
    for step in steps:
        new = _fitted(_shifted(fit.sightings, index, step), fit.prior, fit)
        if new is None:
            return float("inf")
        values.append(new.chi2)
    zero, a, minus_a, b, minus_b, both = values
    slope = np.array([a - minus_a, b - minus_b]) / 2.0
    bend = np.array([[a + minus_a - 2.0 * zero, both - a - b + zero],
                     [both - a - b + zero, b + minus_b - 2.0 * zero]])  # fmt: skip
    best = -np.linalg.solve(bend, slope) * _STEP_RAD
    new = _fitted(_shifted(fit.sightings, index, best), fit.prior, fit)
    return float("inf") if new is None else new.chi2


def _shifted(
    sightings: Sequence[Sighting], index: int, step: NDArray[np.float64]
) -> list[Sighting]:
    hour, raw = float(step[0]), float(step[1])
    return [*sightings[:index]] + [
        replace(
            one,
            hour_angle_rad=one.hour_angle_rad + hour,
            declination_rad=one.declination_rad + (-raw if one.beyond_the_pole else raw),
        )
        for one in sightings[index:]
    ]
