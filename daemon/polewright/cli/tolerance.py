"""``polewright tolerance``: how far off the axis may be for what is planned."""

import argparse

from polewright.app.planning import asked_by_settings, planned_tolerance
from polewright.cli.output import ExitCode, Output
from polewright.core.axis.tolerance import (
    NEEDS_GUIDING_RAD,
    ExposurePlan,
    Tolerance,
    smear_px,
    tolerance_for,
)
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.plan.cautions import ROUNDING
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

_GUIDE = "  This plan needs guiding: plan with --guided. Or take shorter exposures."
_SHORTER = "  Take shorter exposures, or a guide star nearer to the target."
_SHOWN_ERRORS_ARCMIN = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


def tolerance(options: argparse.Namespace, output: Output) -> ExitCode:
    """Say the tolerance for the plan of the settings, or of the options, which go before it."""
    settings = load_settings(find_settings_file(options.config))
    planned = settings.plan.model_dump() | {"farthest_mm": settings.plan.corner_mm}
    if settings.plan.targets:
        planned["declination_deg"] = _most_demanding_deg(settings)
    plan = _plan(options, planned)
    if plan is None:
        wanted = planned_tolerance(settings)
        output.result(
            {"tolerance_arcmin": wanted.error_rad / ARCMIN_RAD, "reason": wanted.reason},
            _allowed_words(wanted),
            "  say what you shoot: --focal-length, --pixel-size and --exposure, or [plan]",
        )
        return ExitCode.GOOD
    wanted = tolerance_for(plan)
    table = {error: smear_px(plan, error * ARCMIN_RAD) for error in _SHOWN_ERRORS_ARCMIN}
    output.result(
        {
            "tolerance_arcmin": wanted.error_rad / ARCMIN_RAD,
            "reason": wanted.reason,
            "smear_px": {f"{error:g}": smear for error, smear in table.items()},
        },
        _allowed_words(wanted),
        *_advice(plan, wanted),
        "  axis off by   largest smear in one exposure",
        *(f"  {error:6.1f} arcmin {smear:10.2f} px" for error, smear in table.items()),
    )
    return ExitCode.GOOD


def _most_demanding_deg(settings: Settings) -> float:
    """Return the declination of the target that asks for most: field rotation grows to the pole."""
    asked = asked_by_settings(settings)
    return 0.0 if asked is None else max((each for _, each in asked.declinations_deg), key=abs)


def _allowed_words(wanted: Tolerance) -> str:
    arcmin = wanted.error_rad / ARCMIN_RAD
    return (
        f"the axis may be off by {arcmin:.2f} arcmin ({arcmin * 60.0:.0f} arcsec): {wanted.reason}"
    )


def _advice(plan: ExposurePlan, wanted: Tolerance) -> tuple[str, ...]:
    """Say what helps where even the best axis is not good enough for the plan."""
    smear = smear_px(plan, wanted.error_rad)
    reached = smear <= plan.allowed_px * ROUNDING
    if plan.guided:
        return () if reached else (_too_fine(plan, smear), _SHORTER)
    if not reached:
        return (_too_fine(plan, smear), _GUIDE)
    if wanted.error_rad < NEEDS_GUIDING_RAD:
        return ("  So fine an axis is not enough: the mount's own gears wander more.", _GUIDE)
    return ()


def _too_fine(plan: ExposurePlan, smear: float) -> str:
    return (
        f"  No axis is held as well as this plan asks: even then a star smears over {smear:.1f} "
        f"px, and you allow {plan.allowed_px:g}."
    )


def _plan(options: argparse.Namespace, planned: dict[str, object]) -> ExposurePlan | None:
    named = {
        "focal_length_mm": options.focal_length,
        "pixel_size_um": options.pixel_size,
        "exposure_s": options.exposure,
        "declination_deg": options.declination,
        "guided": options.guided,
        "farthest_mm": options.farthest,
        "allowed_px": options.allowed,
    }
    values = {name: planned[name] if value is None else value for name, value in named.items()}
    missing = [
        name for name in ("focal_length_mm", "pixel_size_um", "exposure_s") if values[name] is None
    ]
    if len(missing) == 3 and all(value is None for value in named.values()):
        return None
    if missing:
        options_missing = {
            "focal_length_mm": "--focal-length",
            "pixel_size_um": "--pixel-size",
            "exposure_s": "--exposure",
        }
        raise UsageError(
            f"the plan lacks {', '.join(options_missing[name] for name in missing)}",
            remedy="Give all of focal length (mm), pixel size (um) and exposure (s).",
            code="plan_incomplete",
        )
    values["declination_deg"] = values["declination_deg"] or 0.0
    return ExposurePlan(**values)  # type: ignore[arg-type]
