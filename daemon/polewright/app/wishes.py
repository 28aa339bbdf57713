"""From settings to what the session wants to know."""

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.attitude import SolveHint
from polewright.session.evening import EveningWishes
from polewright.session.safety import SafetyLimits
from polewright.session.survey import SurveyWish
from polewright.settings.model import Settings

# A live frame may be shorter than a survey's: hands wait for it.
_LONGEST_LIVE_EXPOSURE_S = 1.0


def scale_arcsec_px(focal_length_mm: float, pixel_size_um: float) -> float:
    """Return the plate scale (arcsec per px) of a focal length (mm) and pixel size (um)."""
    return pixel_size_um * 1e-3 / focal_length_mm / ARCSEC_RAD


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
            hour_angle_max_deg=safety.hour_angle_max_deg,
            cross_meridian=safety.allow_meridian_crossing,
            use_roll={"auto": None, "yes": True, "no": False}[survey.use_roll],
        ),
        limits=SafetyLimits(
            sun_cone_deg=safety.sun_cone_deg,
            altitude_floor_deg=safety.altitude_floor_deg,
            hour_angle_min_deg=safety.hour_angle_min_deg,
            hour_angle_max_deg=safety.hour_angle_max_deg,
            horizon=tuple(safety.horizon),
        ),
        wish_arcsec=survey.wish_arcsec,
        target_pole=survey.target_pole,
        tolerance_arcsec=settings.tolerance.arcsec,
        live_exposure_s=min(camera.exposure_s, _LONGEST_LIVE_EXPOSURE_S),
        optics=SolveHint(scale_arcsec_px=scale, mirrored=camera.mirrored),
    )
