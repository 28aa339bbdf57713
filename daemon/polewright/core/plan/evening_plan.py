"""The evening's plan: what is asked for, and what follows from it for the axis.

The axis must be good enough for the most demanding of the targets through each train; where it
should point, and when it is looked at once more, follow from targets and window.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from polewright.core.axis.tolerance import (
    USUAL_FARTHEST_MM,
    ExposurePlan,
    Tolerance,
    tolerance_for,
)
from polewright.core.errors import UsageError
from polewright.core.plan.sky_target import SkyTarget
from polewright.core.plan.window import ClockHours, Window

MOST_TARGETS = 20
MOST_TRAINS = 8
USUAL_VERIFY_BEFORE_MIN = 20.0
"""Time enough to turn a bolt once more and to survey again (rule of thumb, no source)."""


class PlanSource(StrEnum):
    """Who said the plan."""

    COMMAND = "command"
    SETTINGS = "settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrain:
    """One telescope or lens with its camera, and how it exposes.

    Attributes
    ----------
    name : str
        As the settings call it; empty where it has none.
    focal_length_mm, pixel_size_um : float
        (mm, um).
    exposure_s : float
        One exposure (s).
    guided : bool
        Whether a guide star is held.
    farthest_mm : float
        On the sensor from the guide star to the farthest corner (mm).
    allowed_px : float
        Smear that is accepted (px).
    """

    focal_length_mm: float
    pixel_size_um: float
    exposure_s: float
    name: str = ""
    guided: bool = False
    farthest_mm: float = USUAL_FARTHEST_MM
    allowed_px: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what cannot be photographed."""
        self.exposure(0.0)

    def exposure(self, declination_deg: float) -> ExposurePlan:
        """Return its exposure at a declination (deg)."""
        return ExposurePlan(
            focal_length_mm=self.focal_length_mm,
            pixel_size_um=self.pixel_size_um,
            exposure_s=self.exposure_s,
            declination_deg=declination_deg,
            guided=self.guided,
            farthest_mm=self.farthest_mm,
            allowed_px=self.allowed_px,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanAsked:
    """What somebody asked for.

    Attributes
    ----------
    source : PlanSource
        By command or by settings.
    at : datetime
        When (aware UTC instant).
    targets : tuple of SkyTarget
        What is shot; empty: anything.
    declination_deg : float
        Of what is shot, where no target is named (deg).
    trains : tuple of PlannedTrain
        What it is shot through; empty where only target and window are planned.
    window : Window or None
        When, by instants.
    hours : ClockHours or None
        When, by a clock, every evening.
    night : bool
        True for the dark hours of the night that goes on or comes next.
    target_pole : str or None
        ``true``, ``refracted`` or ``tonight``; None: what suits the plan.
    tolerance_arcsec : float or None
        Largest total error (arcsec), where somebody set it; None: what the exposures need.
    verify_before_min : float
        So long before the window's start the axis is verified (minutes).
    """

    source: PlanSource
    at: datetime
    targets: tuple[SkyTarget, ...] = ()
    declination_deg: float = 0.0
    trains: tuple[PlannedTrain, ...] = ()
    window: Window | None = None
    hours: ClockHours | None = None
    night: bool = False
    target_pole: str | None = None
    tolerance_arcsec: float | None = None
    verify_before_min: float = USUAL_VERIFY_BEFORE_MIN

    def __post_init__(self) -> None:
        """Refuse what says nothing, or too much."""
        if self.target_pole == "tonight" and not (self.targets and self.timed):
            raise UsageError(
                "tonight's pole needs to know what is shot tonight and when",
                remedy="Plan targets and a window as well, or leave the pole out.",
                code="no_window",
            )
        if not (self.targets or self.trains or self.timed):
            raise UsageError(
                "the plan is empty",
                remedy="Say what you shoot: targets, optics and exposure, or a window.",
                code="plan_incomplete",
            )
        if len(self.targets) > MOST_TARGETS or len(self.trains) > MOST_TRAINS:
            raise UsageError(
                f"a plan takes {MOST_TARGETS} targets and {MOST_TRAINS} optical trains at most",
                remedy="Plan the most demanding ones: the tightest rules.",
                code="plan_too_long",
            )
        if (self.window is not None) + (self.hours is not None) + self.night > 1:
            raise UsageError(
                "the plan's window is said in more than one way",
                remedy="Give start and end, or the night; not both.",
                code="bad_window",
            )

    @property
    def timed(self) -> bool:
        """True where a window is asked for, in whichever way."""
        return self.window is not None or self.hours is not None or self.night

    @property
    def declinations_deg(self) -> tuple[tuple[str, float], ...]:
        """Names and declinations (deg) of the targets; one without a name where none is named."""
        return tuple((target.name, target.declination_deg) for target in self.targets) or (
            ("", self.declination_deg),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWarning:
    """Something about the plan that a person should know before the night."""

    code: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tightest:
    """The tolerance that rules, and the target and the train that ask for it.

    ``target`` and ``train_name`` are empty where others ask for as much, or there is no other.
    """

    tolerance: Tolerance
    target: str
    train_name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EveningPlan:
    """A plan, worked out.

    Attributes
    ----------
    asked : PlanAsked
        What it is worked out from.
    window : Window or None
        When it is shot; None where that is not said, or not known before the place is.
    tightest : Tightest or None
        What the axis must be; None where no exposure is planned.
    target_pole : str
        Where the axis should point: ``true``, ``refracted`` or ``tonight``.
    pole_reason : str
        Why, in words.
    warnings : tuple of PlanWarning
        What a person should know before the night.
    """

    asked: PlanAsked
    window: Window | None
    tightest: Tightest | None
    target_pole: str
    pole_reason: str
    warnings: tuple[PlanWarning, ...] = ()

    @property
    def verify_at(self) -> datetime | None:
        """When the axis should be verified (aware UTC instant); None without a window."""
        if self.window is None:
            return None
        return self.window.start - timedelta(minutes=self.asked.verify_before_min)

    def over(self, now: datetime) -> bool:
        """Return whether its window has passed."""
        return self.window is not None and now >= self.window.end

    @property
    def tolerance(self) -> Tolerance | None:
        """Largest total error, two sigma included; None where neither set nor planned."""
        if self.asked.tolerance_arcsec is not None:
            return Tolerance(
                error_rad=math.radians(self.asked.tolerance_arcsec / 3600.0), reason="as set"
            )
        return None if self.tightest is None else self.tightest.tolerance


def tightest_of(asked: PlanAsked) -> Tightest | None:
    """Return the smallest tolerance over all targets and trains; None without any train."""
    every = [
        (tolerance_for(train.exposure(declination)), name, train)
        for train in asked.trains
        for name, declination in asked.declinations_deg
    ]
    if not every:
        return None
    tolerance, target, train = min(every, key=lambda each: each[0].error_rad)
    easier = [each for each in every if each[0].error_rad > tolerance.error_rad]
    return Tightest(
        tolerance=tolerance,
        target=target if any(name != target for _, name, _ in easier) else "",
        train_name=train.name if any(other is not train for *_, other in easier) else "",
    )
