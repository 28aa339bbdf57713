"""``polewright survey``: measure the axis, and say in words what is next."""

import argparse
import math
from collections.abc import Mapping
from typing import Any

from polewright.cli.display import on_sky_words, verdict_line
from polewright.cli.moving import moved
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.core.axis.correction import BoltReach, altitude_words, azimuth_words
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.settings.load import find_settings_file, load_settings

# A frame that leaves more than this part of the sigma is not worth its while.
_GAINS = 0.95

_REACH = ("to_go", "margin", "room")

_NEXT = {
    "good_enough": "next: tighten the locks, then `polewright survey` once more: locking moves "
    "the axis",
    "not_yet": "next: `polewright adjust`, and turn the bolts while it runs",
    "cannot_tell": "next: survey again with more turn ([survey] sweep_deg), more frames or longer "
    "exposures, or allow more ([tolerance] arcsec)",
}


def survey(options: argparse.Namespace, output: Output) -> ExitCode:
    """Measure the axis; ``--clear`` gives the person's word first; Ctrl-C stops the mount."""
    settings = load_settings(find_settings_file(options.config))
    arguments = {name: True for name in ("by_hand", "at_dusk") if getattr(options, name)}
    result = moved(
        settings, "survey", arguments, output, clear=options.clear, again="survey again when ready"
    )
    output.result(result, *survey_lines(result))
    return VERDICT_EXIT_CODES[str(result["verdict"])]


def survey_lines(result: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the verdict, what each bolt has to undo, how it was measured, and what is next."""
    message = dict(result)
    altitude, azimuth = message["altitude_error_arcmin"], message["azimuth_error_arcmin"]
    goal_deg = message["axis_azimuth_deg"] - azimuth / 60.0
    altitude_bolt = altitude_words(
        altitude * ARCMIN_RAD,
        message["altitude_error_sigma_arcmin"] * ARCMIN_RAD,
        within=_within(message, "altitude"),
    )
    azimuth_bolt = azimuth_words(
        azimuth * ARCMIN_RAD,
        message["azimuth_error_sigma_arcmin"] * ARCMIN_RAD,
        math.radians(goal_deg),
        within=_within(message, "azimuth"),
    )
    why = on_sky_words(message)
    meaning = message.get("meaning")
    return (
        verdict_line(message),
        *((f"  for the plan: {meaning}",) if meaning else ()),
        f"  altitude {altitude:+.2f} arcmin: {altitude_bolt}",
        f"  azimuth {azimuth:+.2f} arcmin: {azimuth_bolt}",
        *((f"    {why}",) if why else ()),
        f"  against the {message['target_pole']} pole, from {message['frames']} frames over "
        f"{message['sweep_deg']:.0f} deg",
        *_grounds(message),
        _NEXT[str(message["verdict"])],
    )


def _within(message: Mapping[str, Any], bolt: str) -> bool:
    """Return whether a bolt stands inside its room, so that the words agree with the verdict."""
    told: dict[str, Any] = {
        f"{name}_arcmin": message.get(f"{bolt}_{name}_arcmin") for name in _REACH
    }
    if any(value is None for value in told.values()):
        return str(message["verdict"]) == "good_enough"
    return BoltReach(**told).within


def _grounds(message: Mapping[str, Any]) -> tuple[str, ...]:
    """Return that directions alone decided, and what one more frame would have gained."""
    lines = []
    if message.get("method") == "stars" and message.get("roll_used") is False:
        lines.append(
            "  by directions alone: how the pictures roll was left out, as if a rotator turned them"
        )
    further = message.get("further_frame_sigma_arcmin")
    if further is not None:
        before = message["total_error_sigma_arcmin"]
        gain = f"+- {further:.2f} arcmin instead of {before:.2f}"
        gains = before > 0.0 and further < _GAINS * before
        lines.append(f"  one more frame would give {gain if gains else 'hardly more certainty'}")
    return tuple(lines)
