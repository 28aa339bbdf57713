"""Meaning: what an axis as it was measured means for the plan, in figures and in words.

Two figures stand beside each other: what the measured error allows, and what is sure even if the
axis is as far off as two sigma allow.  Only the second one makes a verdict good.
"""

import math
from dataclasses import dataclass

from polewright.core.axis.tolerance import (
    EASY_GUIDING_RAD,
    gears_wander_more,
    longest_exposure_s,
    tolerance_for,
    widest_declination_deg,
)
from polewright.core.plan.evening_plan import EveningPlan, PlannedTrain

# Longer exposures than this nobody takes: told as "any".
ANY_EXPOSURE_S = 7200.0
# Rounding of an exposure that is just reached.
_ROUNDING = 1.0 + 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainMeaning:
    """What an axis error means for one train at the plan's targets.

    Attributes
    ----------
    train : PlannedTrain
        Which.
    target : str
        The target at which the exposure must be shortest; empty where it has no name.
    sure_s : float
        The longest exposure (s) at all targets, if the axis is as far off as two sigma allow.
    measured_s : float
        The same for the error as measured.
    declination_deg : float or None
        How far from the equator, on either side, the planned exposure is surely good (deg; 90:
        everywhere); None: nowhere.
    guiding_easy : bool
        Whether a guider has surely under 1 arcsec per minute to correct; True where none works.
    good : bool
        Whether the verdict is: the error and two sigma are inside the train's tolerance.
    """

    train: PlannedTrain
    target: str
    sure_s: float
    measured_s: float
    declination_deg: float | None
    guiding_easy: bool
    good: bool

    @property
    def sharp(self) -> bool:
        """Whether the planned exposure surely smears no more than is allowed."""
        return self.train.exposure_s <= self.sure_s * _ROUNDING


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What the axis means for the plan: for each train, and in words."""

    trains: tuple[TrainMeaning, ...]
    words: str


def meaning_of(
    plan: EveningPlan, error_rad: float, sigma_rad: float, *, trustworthy: bool = True
) -> Meaning | None:
    """Return what a measured axis means for the plan; None where no exposure is planned.

    Parameters
    ----------
    plan : EveningPlan
        What is shot.
    error_rad, sigma_rad : float
        Total error of the axis against the plan's pole, and one sigma of it (rad).
    trustworthy : bool
        False where the measurement contradicts itself: then nothing is promised.
    """
    if not plan.asked.trains:
        return None
    known = trustworthy and math.isfinite(error_rad) and math.isfinite(sigma_rad)
    if not known:  # a half turn off, for all that is known
        error_rad, sigma_rad = math.pi, 0.0
    trains = tuple(_train_meaning(plan, train, error_rad, sigma_rad) for train in plan.asked.trains)
    if not known:
        return Meaning(
            trains=trains,
            words="nothing can be promised for the plan: the measurement contradicts itself",
        )
    several = len(trains) > 1
    words = "; ".join(_words(each, several=several) for each in trains)
    return Meaning(trains=trains, words=words)


def _train_meaning(
    plan: EveningPlan, train: PlannedTrain, error_rad: float, sigma_rad: float
) -> TrainMeaning:
    worst_rad = min(error_rad + 2.0 * sigma_rad, math.pi)
    named = plan.asked.declinations_deg
    name, declination = max(named, key=lambda each: abs(each[1]) if train.guided else 0.0)
    exposure = train.exposure(declination)
    return TrainMeaning(
        train=train,
        target=name if train.guided else "",
        sure_s=longest_exposure_s(exposure, worst_rad),
        measured_s=longest_exposure_s(exposure, error_rad),
        declination_deg=widest_declination_deg(exposure, worst_rad),
        guiding_easy=not train.guided or worst_rad <= EASY_GUIDING_RAD * _ROUNDING,
        good=worst_rad <= tolerance_for(exposure).error_rad * _ROUNDING,
    )


def _words(meaning: TrainMeaning, *, several: bool) -> str:
    train = meaning.train
    setting = f"{exposure_words(train.exposure_s)} at {train.focal_length_mm:g} mm"
    setting += ", guided" if train.guided else " without guiding"
    at = f" at {meaning.target}" if meaning.target else ""
    words = f"{train.name}: " if several and train.name else ""
    sure = exposure_words(_rounded_down(meaning.sure_s))
    if meaning.good and not meaning.sharp:
        return words + (
            f"the axis is as good as any is held, and still {setting}{at} smear: {sure} is sure"
        )
    if meaning.good:
        return words + _good_words(meaning, setting, at)
    if meaning.sharp and not meaning.guiding_easy:
        return words + (
            f"not good for {setting}: the guider must correct over 1 arcsec per minute; the stars "
            "stay round all the same"
        )
    if meaning.sharp:
        return words + f"good for {setting}, but not for go-tos"
    if train.exposure_s <= meaning.measured_s * _ROUNDING:
        return words + (
            f"not sure to be good for {setting}{at}: {sure} is sure; as measured "
            f"{_up_to(meaning.measured_s)} would do"
        )
    measured = exposure_words(_rounded_down(meaning.measured_s))
    only = (
        f"{measured} at most"
        if measured == sure
        else (f"{measured} at most as measured, {sure} to be sure")
    )
    return words + f"not good for {setting}{at}: {only}"


def _good_words(meaning: TrainMeaning, setting: str, at: str) -> str:
    train = meaning.train
    words = f"good for {setting}, {_reach_words(meaning.declination_deg)}"
    if meaning.sure_s >= 1.2 * train.exposure_s:
        words += f"; {_up_to(meaning.sure_s)} would do{at}"
    if gears_wander_more(train.exposure(0.0)):
        words += "; guide anyway, gears wander more than this"
    return words


def _reach_words(declination_deg: float | None) -> str:
    if declination_deg is None or declination_deg >= 89.0:
        return "at any declination"
    limit = math.floor(declination_deg)
    return f"at declinations from -{limit} to +{limit}"


def _up_to(duration_s: float) -> str:
    if duration_s >= ANY_EXPOSURE_S:
        return "any exposure"
    return f"up to {exposure_words(_rounded_down(duration_s))}"


def _rounded_down(duration_s: float) -> float:
    """Return a duration (s) with two digits, never longer than it is."""
    if not math.isfinite(duration_s) or duration_s <= 0.0:
        return duration_s
    step = 10.0 ** (math.floor(math.log10(duration_s)) - 1)
    return math.floor(duration_s / step * (1.0 + 1e-12)) * step


def exposure_words(duration_s: float) -> str:
    """Return an exposure as people say it."""
    if duration_s >= ANY_EXPOSURE_S:
        return "2 hours"
    if duration_s >= 1800.0:
        return f"{duration_s / 60.0:.0f} min"
    return f"{float(f'{duration_s:.3g}'):g} s"
