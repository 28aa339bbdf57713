"""From the plan of the settings to what the session plans with."""

from datetime import UTC, datetime

import numpy as np

from polewright.adapters.catalogue.names import NamedPlaces
from polewright.core.axis.tolerance import USUAL_TOLERANCE_RAD, Tolerance
from polewright.core.axis.tonight import TonightsPole, tonights_pole
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.plan.evening_plan import PlanAsked, PlannedTrain, PlanSource, tightest_of
from polewright.core.plan.sky_target import SkyTarget
from polewright.core.plan.window import ClockHours, Window, night_of, read_window
from polewright.core.sky.place import Place
from polewright.session.local_time import local_zone
from polewright.session.plan_reading import read_targets
from polewright.session.plan_wish import Optics, PlanWish
from polewright.session.wishes import PlannedWindow
from polewright.settings.measuring import OpticsSettings, PlanSettings
from polewright.settings.model import Settings


def plan_wish(settings: Settings) -> PlanWish:
    """Return what the settings say of plans.

    Raises
    ------
    UsageError
        See :func:`asked_by_settings`.
    """
    plan = settings.plan
    return PlanWish(
        asked=asked_by_settings(settings),
        usual=_optics(plan),
        named=tuple(_optics(each, each.name) for each in plan.optics),
        place=settings.site.place(),
        target_pole=settings.survey.target_pole,
    )


def asked_by_settings(settings: Settings) -> PlanAsked | None:
    """Return the settings' own plan; None where they say nothing of one.

    Raises
    ------
    UsageError
        ``no_window``: the settings want tonight's pole and do not say targets and window;
        ``unknown_target``, ``bad_coordinates``, ``bad_window``.
    """
    plan, pole = settings.plan, settings.survey.target_pole
    trains = _trains(plan)
    targets = _targets(plan)
    window, hours = _when(plan)
    if not (trains or targets or window or hours or plan.night):
        if pole == "tonight":
            raise UsageError(
                'target_pole = "tonight" needs to know what is shot tonight and when',
                remedy="Set [plan] targets, and start and end or night; or leave target_pole out.",
                code="no_window",
            )
        return None
    return PlanAsked(
        source=PlanSource.SETTINGS,
        at=datetime.now(UTC),
        targets=targets,
        declination_deg=plan.declination_deg or 0.0,
        trains=trains,
        window=window,
        hours=hours,
        night=plan.night,
        target_pole=pole,
        tolerance_arcsec=settings.tolerance.arcsec,
        verify_before_min=plan.verify_before_min,
    )


def planned_tolerance(settings: Settings) -> Tolerance:
    """Return the tolerance: as set, else what the plan needs, else a usual one; with the reason.

    Raises
    ------
    UsageError
        See :func:`asked_by_settings`.
    """
    if settings.tolerance.arcsec is not None:
        return Tolerance(
            error_rad=settings.tolerance.arcsec * ARCSEC_RAD, reason="as set in [tolerance]"
        )
    asked = asked_by_settings(settings)
    tightest = None if asked is None else tightest_of(asked)
    if tightest is not None:
        return tightest.tolerance
    return Tolerance(error_rad=USUAL_TOLERANCE_RAD, reason="usual, since nothing is planned")


def tonight_for(settings: Settings, place: Place, instant: datetime) -> tuple[TonightsPole, Window]:
    """Return the pole that suits the settings' plan on the evening of an instant, and its window.

    Raises
    ------
    UsageError
        ``no_window``: the settings do not say targets and window; ``no_night``; and what
        :func:`asked_by_settings` and :func:`tonights_pole` raise.
    """
    asked = asked_by_settings(settings)
    if asked is None or not asked.targets or not asked.timed:
        raise UsageError(
            "tonight's pole needs to know what is shot and when, and the settings do not say it",
            remedy="Set [plan] targets, and start and end or night; or hold it against another "
            "pole: --target refracted.",
            code="no_window",
        )
    if asked.window is not None:
        window = asked.window
    elif asked.hours is not None:
        window = asked.hours.window(instant, local_zone())
    else:
        window = night_of(place, instant).window
    directions = np.stack([target.direction_icrs for target in asked.targets])
    return tonights_pole(place, directions, window.start, window.end), window


def planned_window(asked: PlanAsked | None) -> PlannedWindow | None:
    """Return targets and window where the plan says both as they are."""
    if asked is None or asked.window is None or not asked.targets:
        return None
    return PlannedWindow(targets=asked.targets, start=asked.window.start, end=asked.window.end)


def _trains(plan: PlanSettings) -> tuple[PlannedTrain, ...]:
    usual = _optics(plan)
    return (usual.train(),) if usual.said else ()


def _optics(said: PlanSettings | OpticsSettings, name: str = "") -> Optics:
    return Optics(
        name=name,
        focal_length_mm=said.focal_length_mm,
        pixel_size_um=said.pixel_size_um,
        exposure_s=said.exposure_s,
        guided=said.guided,
        farthest_mm=said.corner_mm,
        allowed_px=said.allowed_px,
    )


def _targets(plan: PlanSettings) -> tuple[SkyTarget, ...]:
    if plan.targets:
        try:
            return read_targets(plan.targets, NamedPlaces())
        except UsageError as trouble:
            raise UsageError(
                f"[plan] targets: {trouble.text}", remedy=trouble.remedy, code=trouble.code
            ) from None
    if plan.declination_deg is None or plan.right_ascension_deg is None:
        return ()
    return (
        SkyTarget(
            name=f"{plan.right_ascension_deg:g} {plan.declination_deg:+g}",
            right_ascension_deg=plan.right_ascension_deg,
            declination_deg=plan.declination_deg,
        ),
    )


def _when(plan: PlanSettings) -> tuple[Window | None, ClockHours | None]:
    if plan.start_utc is not None and plan.end_utc is not None:
        return Window(start=plan.start_utc, end=plan.end_utc), None
    if plan.start is None or plan.end is None:
        return None, None
    found = read_window(plan.start, plan.end)
    assert isinstance(found, ClockHours)
    found.window(datetime.now(UTC), local_zone())  # refuse hours that are no window now
    return None, found
