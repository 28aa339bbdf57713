"""Messages: what the session tells displays (docs: MQTT reference)."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime

from polewright.core.axis.correction import BoltReach, Correction, with_knob
from polewright.core.axis.estimate import AxisEstimate, Method
from polewright.core.axis.knobs import KnobAdvice
from polewright.core.axis.pointing_model import PointingFit
from polewright.core.axis.targets import StarTarget
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD
from polewright.logs import cycle_id, work_id
from polewright.session.phases import Phase
from polewright.session.site import Site

Message = dict[str, object]

_SURVEY_DIGITS = 4


def state_message(
    phase: Phase,
    since: datetime,
    *,
    step: str = "",
    frames: int = 0,
    percent: int | None = None,
    reason: str | None = None,
    remedy: str | None = None,
) -> Message:
    """Return the ``state`` payload."""
    return {
        "state": phase.value,
        "since": since.isoformat(),
        "step": step,
        "frames": frames,
        "percent": percent,
        "reason": reason,
        "remedy": remedy,
    }


def survey_message(
    estimate: AxisEstimate,
    correction: Correction,
    target_pole: str,
    *,
    further_sigma_rad: float | None = None,
) -> Message:
    """Return the ``survey`` payload."""
    return {
        "method": estimate.method.value,
        "target_pole": target_pole,
        "axis_altitude_deg": round(correction.axis_altitude_deg, 6),
        "axis_azimuth_deg": round(correction.axis_azimuth_deg, 6),
        **_errors(correction),
        "chi2": round(estimate.chi2, 3),
        "degrees_of_freedom": estimate.degrees_of_freedom,
        "frames": estimate.frames,
        "sweep_deg": round(float(estimate.sweep_rad) * 57.29577951308232, 3),
        "tolerance_arcmin": round(correction.tolerance_arcmin, _SURVEY_DIGITS),
        "verdict": correction.verdict.value,
        "roll_used": estimate.roll_used,
        "rejected_frames": len(estimate.rejected),
        "further_frame_sigma_arcmin": (
            None if further_sigma_rad is None else round(further_sigma_rad / ARCMIN_RAD, 4)
        ),
        "residuals": [
            {
                "frame": label,
                "turn_deg": round(math.degrees(turn), 2),
                "pointing_arcsec": round(math.hypot(about_y, about_z), 2),
                "roll_arcsec": round(float(about_x), 2),
            }
            for label, turn, (about_x, about_y, about_z) in zip(
                estimate.labels, estimate.turn_angles_rad, estimate.residuals_arcsec, strict=True
            )
        ],
        "cycle_id": work_id() or None,
    }


def sights_message(
    fit: PointingFit, correction: Correction, target_pole: str, *, advice: str, untold: str | None
) -> Message:
    """Return the ``survey`` payload of sights by day: ``frames`` counts them.

    ``advice`` is what to look at next, ``untold`` what the sights cannot tell.
    """
    hours = [sighting.hour_angle_rad for sighting in fit.sightings]
    return {
        "method": Method.BODIES.value,
        "target_pole": target_pole,
        "axis_altitude_deg": round(correction.axis_altitude_deg, 6),
        "axis_azimuth_deg": round(correction.axis_azimuth_deg, 6),
        **_errors(correction),
        "chi2": round(fit.chi2, 3),
        "degrees_of_freedom": fit.degrees_of_freedom,
        "frames": len(fit.sightings),
        "sweep_deg": round(math.degrees(max(hours) - min(hours)), 3),
        "tolerance_arcmin": round(correction.tolerance_arcmin, _SURVEY_DIGITS),
        "verdict": correction.verdict.value,
        "roll_used": False,
        "rejected_frames": 0,
        "further_frame_sigma_arcmin": None,
        "residuals": [
            {
                "frame": sighting.label,
                "turn_deg": round(math.degrees(sighting.hour_angle_rad), 2),
                "pointing_arcsec": round(float(math.hypot(*left)) / ARCSEC_RAD, 2),
                "roll_arcsec": 0.0,
            }
            for sighting, left in zip(fit.sightings, fit.residuals_rad, strict=True)
        ],
        "advice": f"{advice}. {untold}" if untold else advice,
    }


def correction_message(
    correction: Correction,
    *,
    sequence: int,
    live: bool,
    frame_age_s: float,
    latency_ms: float,
    altitude_knob: KnobAdvice | None = None,
    azimuth_knob: KnobAdvice | None = None,
    valid_s: float | None = None,
    method: Method = Method.STARS,
) -> Message:
    """Return the ``correction`` payload.

    A knob is None while nothing is known of it; ``valid_s`` where displays shall go by their own.
    """
    return {
        "method": method.value,
        "sequence": sequence,
        **_errors(correction),
        "altitude_words": with_knob(
            correction.altitude_words, altitude_knob.words if altitude_knob else ""
        ),
        "azimuth_words": with_knob(
            correction.azimuth_words, azimuth_knob.words if azimuth_knob else ""
        ),
        "altitude_turns": round(altitude_knob.turns, 3) if altitude_knob else None,
        "azimuth_turns": round(azimuth_knob.turns, 3) if azimuth_knob else None,
        "closeness": correction.closeness,
        "tolerance_arcmin": round(correction.tolerance_arcmin, _SURVEY_DIGITS),
        "verdict": correction.verdict.value,
        "live": live,
        "frame_age_s": round(frame_age_s, 3),
        "latency_ms": round(latency_ms, 1),
        "valid_s": None if valid_s is None else round(valid_s, 1),
        "cycle_id": cycle_id.get() or None,
    }


def event_message(level: str, code: str, text: str, remedy: str) -> Message:
    """Return the ``event`` payload."""
    return {"level": level, "code": code, "text": text, "remedy": remedy}


def site_message(site: Site) -> Message:
    """Return the ``site`` payload; the place to a kilometre, which is all that a display needs."""
    return {
        "latitude_deg": round(site.place.latitude_deg, 2),
        "longitude_deg": round(site.place.longitude_deg, 2),
        "elevation_m": round(site.place.elevation_m),
        "place_source": site.reading.source.value if site.reading else None,
        "time_source": site.time_source.value,
        "clock_disciplined": site.disciplined,
        "doubts": [asdict(doubt) | {"bars": doubt.bars.value} for doubt in site.doubts],
    }


def targets_message(stars: Sequence[StarTarget], width_px: int, height_px: int) -> Message:
    """Return the ``targets`` payload."""
    return {
        "width_px": width_px,
        "height_px": height_px,
        "stars": [
            {name: round(value, 2) for name, value in asdict(star).items()} for star in stars
        ],
    }


def _errors(correction: Correction) -> Mapping[str, object]:
    figures = asdict(correction)
    return (
        {
            name: round(figures[name], _SURVEY_DIGITS)
            for name in (
                "altitude_error_arcmin",
                "altitude_error_sigma_arcmin",
                "azimuth_error_arcmin",
                "azimuth_error_sigma_arcmin",
                "azimuth_error_on_sky_arcmin",
                "total_error_arcmin",
                "total_error_sigma_arcmin",
            )
        }
        | _reach("altitude", correction.altitude_reach)
        | _reach("azimuth", correction.azimuth_reach)
    )


def _reach(bolt: str, reach: BoltReach | None) -> Message:
    if reach is None:
        return {}
    return {f"{bolt}_{name}": round(value, _SURVEY_DIGITS) for name, value in asdict(reach).items()}
