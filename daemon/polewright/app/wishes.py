"""From settings to what the session wants to know."""

from datetime import timedelta

from polewright.core.axis.knobs import Bolt
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC
from polewright.core.axis.tolerance import Tolerance, tolerance_for
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import SolveHint
from polewright.session.limits import SafetyLimits
from polewright.session.schedule_wish import ScheduleWish
from polewright.session.motor_adjustment import MotorWish
from polewright.session.sights import SightWish
from polewright.session.star_alignment import StarAlignmentWish, SyncWay
from polewright.session.survey import SurveyWish
from polewright.session.watch_wish import WatchWish
from polewright.session.wishes import EveningWishes, PlannedWindow
from polewright.settings.model import Settings

# A live frame may be shorter than a survey's: hands wait for it.
_LONGEST_LIVE_EXPOSURE_S = 1.0
# Good for a few minutes at a few hundred millimetres (common practice, no source).
_USUAL_TOLERANCE_ARCSEC = 60.0


def scale_arcsec_px(focal_length_mm: float, pixel_size_um: float) -> float:
    """Return the plate scale (arcsec per px) of a focal length (mm) and pixel size (um)."""
    return pixel_size_um * 1e-3 / focal_length_mm / ARCSEC_RAD


def planned_tolerance(settings: Settings) -> Tolerance:
    """Return the tolerance: as set, else what the plan needs, else a usual one; with the reason."""
    if settings.tolerance.arcsec is not None:
        return Tolerance(
            error_rad=settings.tolerance.arcsec * ARCSEC_RAD, reason="as set in [tolerance]"
        )
    exposure = settings.plan.exposure()
    if exposure is not None:
        return tolerance_for(exposure)
    return Tolerance(
        error_rad=_USUAL_TOLERANCE_ARCSEC * ARCSEC_RAD, reason="usual, since nothing is planned"
    )


def planned_window(settings: Settings) -> PlannedWindow | None:
    """Return tonight's target and window, or None where the settings do not say them.

    Raises
    ------
    UsageError
        ``no_window``: the settings want tonight's pole and do not say target and window.
    """
    plan = settings.plan
    whole = (
        plan.right_ascension_deg is not None
        and plan.declination_deg is not None
        and plan.start_utc is not None
        and plan.end_utc is not None
    )
    if not whole:
        if settings.survey.target_pole == "tonight":
            raise UsageError(
                'target_pole = "tonight" needs to know what is shot tonight and when',
                remedy="Set [plan] right_ascension_deg, declination_deg, start_utc and end_utc.",
                code="no_window",
            )
        return None
    assert plan.right_ascension_deg is not None
    assert plan.declination_deg is not None
    assert plan.start_utc is not None
    assert plan.end_utc is not None
    return PlannedWindow(
        right_ascension_deg=plan.right_ascension_deg,
        declination_deg=plan.declination_deg,
        start=plan.start_utc,
        end=plan.end_utc,
    )


def evening_wishes(settings: Settings) -> EveningWishes:
    """Return the session's wishes as the settings say them."""
    camera, survey, safety = settings.camera, settings.survey, settings.safety
    scale = None
    if camera.focal_length_mm is not None and camera.pixel_size_um is not None:
        scale = scale_arcsec_px(camera.focal_length_mm, camera.pixel_size_um)
    return EveningWishes(
        survey=SurveyWish(
            frames=survey.frames,
            sweep_deg=survey.sweep_deg,
            exposure_s=camera.exposure_s,
            settle_s=survey.settle_s,
            hour_angle_min_deg=safety.hour_angle_min_deg,
        schedule=ScheduleWish(
            timetable=settings.schedule.timetable(),
            before_plan=settings.schedule.before_plan,
            may_move=settings.schedule.may_move,
            grace=timedelta(minutes=settings.schedule.grace_min),
            survey_holds=timedelta(hours=settings.schedule.survey_holds_hours),
        ),
            hour_angle_max_deg=safety.hour_angle_max_deg,
            cross_meridian=safety.allow_meridian_crossing,
            use_roll={"auto": None, "yes": True, "no": False}[survey.use_roll],
            mechanical_floor_arcsec=(
                survey.mechanical_floor_arcsec or DEFAULT_MECHANICAL_FLOOR_ARCSEC
            ),
        ),
        floor_is_learned=survey.mechanical_floor_arcsec is None,
        arcmin_per_turn={
            bolt: gain
            for bolt, gain in (
                (Bolt.ALTITUDE, settings.adjuster.altitude_arcmin_per_turn),
                (Bolt.AZIMUTH, settings.adjuster.azimuth_arcmin_per_turn),
            )
            if gain is not None
        },
        limits=SafetyLimits(
            sun_cone_deg=safety.sun_cone_deg,
            altitude_floor_deg=safety.altitude_floor_deg,
            hour_angle_min_deg=safety.hour_angle_min_deg,
            hour_angle_max_deg=safety.hour_angle_max_deg,
            horizon=tuple(safety.horizon),
            allow_meridian_crossing=safety.allow_meridian_crossing,
        ),
        wish_arcsec=survey.wish_arcsec,
        target_pole=survey.target_pole,
        tolerance_arcsec=planned_tolerance(settings).error_rad / ARCSEC_RAD,
        window=planned_window(settings),
        live_exposure_s=(
            None if camera.exposure_s is None else min(camera.exposure_s, _LONGEST_LIVE_EXPOSURE_S)
        ),
        optics=SolveHint(scale_arcsec_px=scale, mirrored=camera.mirrored),
        sights=SightWish(
            home_sigma_arcmin=settings.sights.home_sigma_arcmin,
            cone_sigma_arcmin=settings.sights.cone_sigma_arcmin,
            axis_sigma_deg=settings.sights.axis_sigma_deg,
            level_sigma_deg=settings.sights.level_sigma_deg,
            repeatability_arcsec=settings.sights.repeatability_arcsec,
        ),
        star_alignment=StarAlignmentWish(
            syncs=SyncWay(settings.star_alignment.syncs),
            goto_arcsec=settings.star_alignment.goto_arcsec,
            most_fields=settings.star_alignment.most_fields,
            repeatability_arcsec=settings.star_alignment.repeatability_arcsec,
        ),
        watch=WatchWish(
            sigmas=settings.watch.threshold_sigmas,
            least_arcsec=settings.watch.least_arcsec,
            dither_arcsec=settings.watch.dither_arcsec,
        ),
        tell_site=settings.site.write_to_mount,
        motors=MotorWish(
            use=settings.adjuster.motors,
            total_deg=settings.adjuster.largest_total_deg,
            survey_again=settings.adjuster.survey_again,
        ),
    )
