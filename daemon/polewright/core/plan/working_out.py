"""Working a plan out: its window, the pole that suits it, and what to be warned of."""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import numpy as np

from polewright.core.axis.tolerance import USUAL_TOLERANCE_RAD
from polewright.core.axis.tonight import tonights_pole
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD, angle_between
from polewright.core.plan.cautions import AboveFloor, outlook, sky_warnings, train_warnings
from polewright.core.plan.evening_plan import (
    EveningPlan,
    PlanAsked,
    PlanSource,
    PlanWarning,
    tightest_of,
)
from polewright.core.plan.window import Window, night_of
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place

# Tonight's pole is aimed at where it leaves at most this part of the refracted pole's drift ...
_WORTH_DRIFT = 0.7
# ... and lies so far from the refracted pole, as a part of the tolerance; nearer than that
# nobody's picture shows it, and surveys against one pole can be compared.
_WORTH_SHIFT = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanScene:
    """What a plan is worked out with.

    Attributes
    ----------
    now : datetime
        Aware UTC instant.
    zone : tzinfo
        The clock on the wall.
    place : Place or None
        Where the mount stands; None while that is not known.
    above_floor : callable
        How far directions stand above floor and horizon (deg).
    sun_cone_deg : float
        Nothing points nearer to the Sun (deg).
    """

    now: datetime
    zone: tzinfo
    place: Place | None
    above_floor: AboveFloor
    sun_cone_deg: float


def work_out(asked: PlanAsked, scene: PlanScene) -> EveningPlan:
    """Return what follows from what was asked for.

    Raises
    ------
    UsageError
        ``bad_window``: the clock's hours are no window.
    """
    warnings = train_warnings(asked.trains, [each for _, each in asked.declinations_deg])
    window = _window(asked, scene, warnings)
    tightest = tightest_of(asked)
    if window is not None and window.end <= scene.now:
        warnings.append(
            PlanWarning(
                code="plan_window_past",
                text=f"the plan's window ended {_ago(scene.now - window.end)} ago",
                remedy="Plan anew, or look at the clock: `polewright plan`, `polewright doctor`.",
            )
        )
    if asked.targets and window is not None and scene.place is not None:
        view = outlook(asked.targets, window, scene.place)
        warnings += sky_warnings(
            asked.targets, view, scene.above_floor, scene.sun_cone_deg, scene.zone
        )
    pole, reason = _pole(asked, window, scene.place, warnings)
    return EveningPlan(
        asked=asked,
        window=window,
        tightest=tightest,
        target_pole=pole,
        pole_reason=reason,
        warnings=tuple(warnings),
    )


def _window(asked: PlanAsked, scene: PlanScene, warnings: list[PlanWarning]) -> Window | None:
    # What a command says is of that evening; settings hold every evening.
    now = asked.at if asked.source is PlanSource.COMMAND else scene.now
    if asked.hours is not None:
        return asked.hours.window(now, scene.zone)
    if not asked.night:
        if asked.window is not None and asked.targets and scene.place is None:
            warnings.append(_PLACE_UNKNOWN)
        return asked.window
    if scene.place is None:
        warnings.append(_PLACE_UNKNOWN)
        return None
    try:
        night = night_of(scene.place, now)
    except UsageError as trouble:
        warnings.append(PlanWarning(code=trouble.code, text=trouble.text, remedy=trouble.remedy))
        return None
    if night.sun_deg > -18.0:
        warnings.append(
            PlanWarning(
                code="plan_never_dark",
                text="it does not get astronomically dark: the window is where the Sun is "
                f"{-night.sun_deg:.0f} deg down",
                remedy="Expect a bright sky; or give the window by the clock.",
            )
        )
    return night.window


_PLACE_UNKNOWN = PlanWarning(
    code="plan_place_unknown",
    text="where the mount stands is not known yet: what depends on it is worked out once the "
    "devices are connected",
    remedy="Connect them, or set [site].",
)


def _pole(
    asked: PlanAsked,
    window: Window | None,
    place: Place | None,
    warnings: list[PlanWarning],
) -> tuple[str, str]:
    """Return the pole to aim at, and why."""
    if asked.target_pole not in (None, "tonight"):
        return str(asked.target_pole), "as asked"
    guided = bool(asked.trains) and all(train.guided for train in asked.trains)
    if asked.target_pole is None and guided:
        return "refracted", "with guiding it makes no difference"
    if asked.target_pole is None and not (asked.targets and asked.timed):
        return "refracted", "the best one where target and window are not known"
    if window is None or place is None:
        if asked.target_pole == "tonight" and place is None:
            return "tonight", "as asked"
        return "refracted", "until place and window are known"
    directions = np.stack([target.direction_icrs for target in asked.targets])
    try:
        best = tonights_pole(place, directions, window.start, window.end)
    except UsageError as trouble:
        if asked.target_pole == "tonight":
            warnings.append(
                PlanWarning(
                    code="plan_no_pole",
                    text=f"tonight's pole cannot be had, the refracted one is aimed at: "
                    f"{trouble.text}",
                    remedy=trouble.remedy,
                )
            )
        return "refracted", "the usual one: the targets are too low in the window"
    shift = angle_between(best.axis_enu, pole_enu(place, refracted=True))
    drifts = (
        f"unguided the field wanders {best.drift_best_rad / ARCSEC_RAD:.0f} arcsec in the window "
        f"(rms), about the refracted pole {best.drift_refracted_rad / ARCSEC_RAD:.0f}"
    )
    if asked.target_pole == "tonight":
        return "tonight", f"as asked: {drifts}"
    tightest = tightest_of(asked)
    allowed = tightest.tolerance.error_rad if tightest else USUAL_TOLERANCE_RAD
    if asked.tolerance_arcsec is not None:
        allowed = asked.tolerance_arcsec * ARCSEC_RAD
    if best.drift_best_rad > _WORTH_DRIFT * best.drift_refracted_rad:
        return "refracted", "tonight's own pole would gain little"
    if shift < _WORTH_SHIFT * allowed:
        return "refracted", (
            f"tonight's own pole is {shift / ARCSEC_RAD:.0f} arcsec from it, "
            "which does not show in the pictures"
        )
    return "tonight", drifts


def _ago(age: timedelta) -> str:
    minutes = int(age.total_seconds() // 60)
    if minutes < 120:
        return f"{minutes} minutes"
    return f"{minutes // 60} hours" if minutes < 2880 else f"{minutes // 1440} days"
