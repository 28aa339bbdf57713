"""``polewright plan``: what is shot tonight, and what the axis must be for it."""

import argparse
import asyncio
import contextlib
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from polewright.cli.output import ExitCode, Output
from polewright.cli.reaching import command, explained, topics
from polewright.core.errors import LinkError, PolewrightError, UsageError
from polewright.session.local_time import local_zone
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

# Retained topics arrive within milliseconds of subscribing; a busy small computer takes longer.
_RETAINED_WAIT_S = 1.0

# What the service refuses for what was asked: wrong usage, as if it were found here.
_WRONGLY_ASKED = (
    "unknown_target", "bad_coordinates", "unknown_optics", "plan_incomplete", "plan_twice",
    "plan_too_long", "wandering_target", "bad_window", "no_window", "invalid_arguments",
)  # fmt: skip

_ARGUMENTS = {
    "optics": "optics",
    "focal_length": "focal_length_mm",
    "pixel_size": "pixel_size_um",
    "farthest": "farthest_mm",
    "diagonal": "sensor_diagonal_mm",
    "allowed": "allowed_px",
    "exposure": "exposure_s",
    "guided": "guided",
    "start": "window_start",
    "end": "window_end",
    "night": "night",
    "pole": "target_pole",
    "tolerance": "tolerance_arcsec",
    "verify_before": "verify_before_min",
}
_OPTICS = (
    "Give --focal-length (mm), --pixel-size (um) and --exposure (s), or write them into the "
    "settings, [plan]."
)


def plan(options: argparse.Namespace, output: Output) -> ExitCode:
    """Show, set or clear the plan, or look targets up."""
    if options.action == "find":
        return _find(options, output)
    arguments = {
        wire: value
        for name, wire in _ARGUMENTS.items()
        if (value := getattr(options, name)) is not None
    }
    if options.targets:
        arguments["targets"] = options.targets
    if arguments and options.action != "set":
        raise UsageError(
            f"`polewright plan {options.action}` takes no targets and options",
            remedy="To plan: `polewright plan set ...`.",
            code="plan_action",
        )
    settings = load_settings(find_settings_file(options.config))
    if options.action == "show":
        return _show(settings, output)
    wanted = {"clear": True} if options.action == "clear" else arguments
    try:
        with output.progress("planning") as bar:
            result = asyncio.run(command(settings, "set_plan", wanted, bar))
    except PolewrightError as trouble:
        if trouble.code not in _WRONGLY_ASKED:
            raise
        remedy = _OPTICS if trouble.code == "plan_incomplete" else trouble.remedy
        raise UsageError(trouble.text, remedy=remedy, code=trouble.code) from None
    lines = [*plan_lines(result["plan"], float(result["tolerance_arcmin"]))]
    if result["meaning"]:
        lines.append(f"as measured last: {result['meaning']}")
    if not result["kept"]:
        lines.append(f"a restart forgets this plan: {result['not_kept']}")
    output.result(result, *lines)
    return ExitCode.GOOD


def plan_lines(told: Mapping[str, Any] | None, tolerance_arcmin: float | None) -> list[str]:
    """Return a plan in words, line by line; what holds without one where there is none."""
    if told is None:
        lines = ["no plan: say what you shoot with `polewright plan set`, or in [plan]"]
        if tolerance_arcmin is not None:
            lines.append(f"the axis may be off by {tolerance_arcmin:.2f} arcmin, as set or usual")
        return lines
    by = "by command" if told["source"] == "command" else "from the settings"
    lines = [f"plan, {by}:"]
    for target in told["targets"]:
        lines.append(
            f"  {target['name']}: {hours_words(target['right_ascension_deg'])} "
            f"{degrees_words(target['declination_deg'])}"
        )
    lines += [f"  {_train_words(train)}" for train in told["trains"]]
    if told["start"] and told["end"]:
        lines.append(
            f"  from {_when(told['start'])} to {_when(told['end'])}; "
            f"verify the axis at {_when(told['verify_at'])}"
        )
    if told["tolerance_arcmin"] is not None:
        ruled = " and ".join(
            str(told[name]) for name in ("tightest_target", "tightest_train") if told[name]
        )
        lines.append(
            f"  the axis may be off by {told['tolerance_arcmin']:.2f} arcmin: "
            f"{told['tolerance_reason']}" + (f" (ruled by {ruled})" if ruled else "")
        )
    pole = told["target_pole"]
    name = "tonight's pole" if pole == "tonight" else f"the {pole} pole"
    lines.append(f"  it should point at {name}: {told['pole_reason']}")
    lines += [f"  ! {each['text']}. {each['remedy']}" for each in told["warnings"]]
    return lines


def hours_words(degrees: float) -> str:
    """Return a right ascension (deg) in hours, minutes and seconds."""
    seconds = round(degrees / 15.0 * 3600.0) % 86400
    return f"{seconds // 3600:02d}h {seconds // 60 % 60:02d}m {seconds % 60:02d}s"


def degrees_words(degrees: float) -> str:
    """Return a declination (deg) in degrees, minutes and seconds."""
    seconds = round(abs(degrees) * 3600.0)
    sign = "-" if degrees < 0 else "+"
    return f"{sign}{seconds // 3600:02d}d {seconds // 60 % 60:02d}m {seconds % 60:02d}s"


def _train_words(train: Mapping[str, Any]) -> str:
    name = f"{train['name']}: " if train["name"] else ""
    guided = "guided" if train["guided"] else "without guiding"
    corner = f", {train['farthest_mm']:g} mm to the corner" if train["guided"] else ""
    return (
        f"{name}{train['exposure_s']:g} s at {train['focal_length_mm']:g} mm on pixels of "
        f"{train['pixel_size_um']:g} um, {guided}{corner}, {train['allowed_px']:g} px of smear"
    )


def _when(text: str) -> str:
    return f"{datetime.fromisoformat(text).astimezone(local_zone()):%H:%M (%d %b)}"


def _find(options: argparse.Namespace, output: Output) -> ExitCode:
    from polewright.adapters.catalogue.names import NamedPlaces
    from polewright.session.plan_reading import read_targets

    if not options.targets:
        raise UsageError(
            "there is nothing to look up",
            remedy="Name it: `polewright plan find 'M 83'`.",
            code="plan_action",
        )
    found = read_targets(options.targets, NamedPlaces())
    output.result(
        {
            "targets": [
                {
                    "name": each.name,
                    "right_ascension_deg": round(each.right_ascension_deg, 5),
                    "declination_deg": round(each.declination_deg, 5),
                }
                for each in found
            ]
        },
        *(
            f"{each.name}: {hours_words(each.right_ascension_deg)} "
            f"{degrees_words(each.declination_deg)} (ICRS)"
            for each in found
        ),
    )
    return ExitCode.GOOD


def _show(settings: Settings, output: Output) -> ExitCode:
    schedule, online = asyncio.run(_last(settings))
    told = schedule.get("plan")
    lines = plan_lines(told, None)
    if not online:
        lines.append("the service is off: this is what it said last")
    output.result({"plan": told}, *lines)
    return ExitCode.GOOD


async def _last(settings: Settings) -> tuple[dict[str, Any], bool]:
    schedule: dict[str, Any] = {}
    online: bool | None = None
    try:
        async with asyncio.timeout(_RETAINED_WAIT_S):
            async with contextlib.aclosing(topics(settings)) as updates:
                async for update in updates:
                    if update.topic == "schedule" and isinstance(update.payload, dict):
                        schedule = update.payload
                    elif update.topic == "availability":
                        online = update.payload == "online"
    except TimeoutError:
        pass
    if online is None:
        nobody = LinkError(
            "the service's topics say nothing, so no plan can be shown",
            remedy="Start it with `polewright run`.",
            code="no_service",
        )
        raise await explained(settings, nobody)
    return schedule, online
