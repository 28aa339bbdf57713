"""From settings to what the session wants to know."""

from datetime import timedelta

from polewright.app.planning import plan_wish, planned_tolerance, planned_window
from polewright.core.axis.knobs import Bolt
from polewright.core.axis.survey import DEFAULT_MECHANICAL_FLOOR_ARCSEC
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import SolveHint
from polewright.session.limits import SafetyLimits
from polewright.session.motor_adjustment import MotorWish
from polewright.session.schedule_wish import ScheduleWish
from polewright.session.sights import SightWish
from polewright.session.star_alignment import StarAlignmentWish, SyncWay
from polewright.session.survey import SurveyWish
from polewright.session.watch_wish import WatchWish
from polewright.session.wishes import EveningWishes
from polewright.settings.model import Settings

# A live frame may be shorter than a survey's: hands wait for it.
_LONGEST_LIVE_EXPOSURE_S = 1.0


def scale_arcsec_px(focal_length_mm: float, pixel_size_um: float) -> float:
    """Return the plate scale (arcsec per px) of a focal length (mm) and pixel size (um)."""
    return pixel_size_um * 1e-3 / focal_length_mm / ARCSEC_RAD


def evening_wishes(settings: Settings) -> EveningWishes:
    """Return the session's wishes as the settings say them."""
    camera, survey, safety = settings.camera, settings.survey, settings.safety
    plan = plan_wish(settings)
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
            hour_angle_max_deg=safety.hour_angle_max_deg,
            cross_meridian=safety.allow_meridian_crossing,
            use_roll=survey.roll_trusted,
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
        target_pole=survey.target_pole or "refracted",
        tolerance_arcsec=planned_tolerance(settings).error_rad / ARCSEC_RAD,
        window=planned_window(plan.asked),
        plan=plan,
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
        schedule=ScheduleWish(
            timetable=settings.schedule.timetable(),
            before_plan=settings.schedule.before_plan,
            may_move=settings.schedule.may_move,
            grace=timedelta(minutes=settings.schedule.grace_min),
            survey_holds=timedelta(hours=settings.schedule.survey_holds_hours),
        ),
        tell_site=settings.site.write_to_mount,
        motors=MotorWish(
            use=settings.adjuster.motors,
            total_deg=settings.adjuster.largest_total_deg,
            survey_again=settings.adjuster.survey_again,
        ),
    )
