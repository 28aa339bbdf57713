"""``polewright tolerance``: how far off the axis may be for what is planned."""

import argparse

from polewright.app.wishes import planned_tolerance
from polewright.cli.output import ExitCode, Output
from polewright.core.axis.tolerance import ExposurePlan, smear_px, tolerance_for
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.settings.load import find_settings_file, load_settings

_SHOWN_ERRORS_ARCMIN = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


def tolerance(options: argparse.Namespace, output: Output) -> ExitCode:
    """Say the tolerance for the plan of the settings, or of the options, which go before it."""
    settings = load_settings(find_settings_file(options.config))
    plan = _plan(options, settings.plan.model_dump())
    if plan is None:
        wanted = planned_tolerance(settings)
        output.result(
            {"tolerance_arcmin": wanted.error_rad / ARCMIN_RAD, "reason": wanted.reason},
            f"the axis may be off by {wanted.error_rad / ARCMIN_RAD:.2f} arcmin: {wanted.reason}",
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
        f"the axis may be off by {wanted.error_rad / ARCMIN_RAD:.2f} arcmin: {wanted.reason}",
        "  axis off by   largest smear in one exposure",
        *(f"  {error:6.1f} arcmin {smear:10.2f} px" for error, smear in table.items()),
    )
    return ExitCode.GOOD


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
