"""The person's wishes for an evening: plan, limits and optics, and the pole that follows."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np

from polewright.core.axis.correction import Correction, correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.knobs import Bolt
from polewright.core.axis.tonight import tonights_pole
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.attitude import SolveHint
from polewright.core.plan.sky_target import SkyTarget
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.session.limits import SafetyLimits
from polewright.session.motor_adjustment import MotorWish
from polewright.session.plan_wish import PlanWish
from polewright.session.schedule_wish import ScheduleWish
from polewright.session.sights import SightWish
from polewright.session.star_alignment import StarAlignmentWish
from polewright.session.survey import SurveyWish, with_wish
from polewright.session.watch_wish import WatchWish


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWindow:
    """Tonight's targets and when they are shot."""

    targets: tuple[SkyTarget, ...]
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class EveningWishes:
    """What the person set: plan, limits and optics.

    ``tell_site``: the mount may be told its site and the time.  ``floor_is_learned``: the survey's
    mechanical floor is the one that the mount's own surveys show.  ``arcmin_per_turn``: what is
    said of the knobs (per turn clockwise, signed).
    """

    survey: SurveyWish = field(default_factory=SurveyWish)
    limits: SafetyLimits = field(default_factory=SafetyLimits)
    target_pole: str = "refracted"
    tolerance_arcsec: float = 60.0
    wish_arcsec: float | None = None
    window: PlannedWindow | None = None
    live_exposure_s: float | None = 0.5
    optics: SolveHint = field(default_factory=SolveHint)
    motors: MotorWish = field(default_factory=MotorWish)
    sights: SightWish = field(default_factory=SightWish)
    star_alignment: StarAlignmentWish = field(default_factory=StarAlignmentWish)
    watch: WatchWish = field(default_factory=WatchWish)
    schedule: ScheduleWish = field(default_factory=ScheduleWish)
    plan: PlanWish = field(default_factory=PlanWish)
    tell_site: bool = False
    floor_is_learned: bool = True
    arcmin_per_turn: Mapping[Bolt, float] = field(default_factory=dict)

    def asked(self, arguments: Mapping[str, Any]) -> "EveningWishes":
        """Return the wishes with what a command's arguments ask for instead."""
        of_survey = {
            name: arguments[name]
            for name in ("frames", "sweep_deg", "exposure_s", "settle_s")
            if arguments.get(name) is not None
        }
        of_evening = {
            name: arguments[name]
            for name in ("target_pole", "tolerance_arcsec")
            if arguments.get(name) is not None
        }
        asked = replace(self, survey=replace(self.survey, **of_survey), **of_evening)
        wish_arcsec = arguments.get("wish_arcsec") or self.wish_arcsec
        return replace(asked, survey=with_wish(asked.survey, asked.tolerance_arcsec, wish_arcsec))

    def with_floor(self, floor_arcsec: float) -> "EveningWishes":
        """Return the wishes with a mount's own mechanical floor (one sigma)."""
        return replace(self, survey=replace(self.survey, mechanical_floor_arcsec=floor_arcsec))

    def target_enu(self, place: Place) -> Vector:
        """Return where the axis should point: the pole that the wishes name.

        Raises
        ------
        UsageError
            ``no_window``.
        """
        if self.target_pole != "tonight":
            return pole_enu(place, refracted=self.target_pole == "refracted")
        window = self.window
        if window is None:
            raise UsageError(
                "tonight's pole needs to know what is shot tonight and when",
                remedy="Plan targets and a window: `polewright plan set`, or [plan].",
                code="no_window",
            )
        directions = np.stack([target.direction_icrs for target in window.targets])
        return tonights_pole(place, directions, window.start, window.end).axis_enu

    def correction_of(self, estimate: AxisEstimate, place: Place) -> Correction:
        """Return what brings a surveyed axis to where it should point."""
        return correct(
            estimate.axis_enu,
            estimate.covariance_rad2,
            self.target_enu(place),
            tolerance_rad=self.tolerance_arcsec * ARCSEC_RAD,
            trustworthy=estimate.consistent,
        )
