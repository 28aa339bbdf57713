"""Small commands to a running service, and what it knows now."""

import argparse
import asyncio
import contextlib
from collections.abc import Mapping
from typing import Any

from polewright.cli.display import EveningView
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output
from polewright.cli.reaching import command, explained, topics
from polewright.cli.watching import render
from polewright.core.errors import LinkError
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

# Retained topics arrive within milliseconds of subscribing; a busy small computer takes longer.
_RETAINED_WAIT_S = 1.0

_FILTER_OFF = ("the Sun's cone holds again: cap the tube before anything moves",)
_FILTER_ON = (
    "DANGER - the Sun's cone is lifted for this camera, on your word alone:",
    "  the filter is IN FRONT of the objective, whole, and neither wind nor a child takes it off;",
    "  every other tube and every finder is capped or filtered as well;",
    "  nobody looks through anything; nobody leaves the telescope alone.",
    "The word ends when the devices are connected anew, with another camera, and in 6 hours.",
    "When the filter comes off, cap the tube FIRST, then: polewright solar-filter CAMERA --removed",
)


def _settings(options: argparse.Namespace) -> Settings:
    return load_settings(find_settings_file(options.config))


def _send(
    settings: Settings, verb: str, arguments: Mapping[str, Any], output: Output
) -> dict[str, Any]:
    with output.progress(verb.replace("_", " ")) as bar:
        return asyncio.run(command(settings, verb, arguments, bar))


def turned(options: argparse.Namespace, output: Output) -> ExitCode:
    """Report a turn of a knob and say what it taught."""
    arguments = {"bolt": options.bolt, "turns": options.turns}
    result = _send(_settings(options), "turned", arguments, output)
    output.result(result, *turned_lines(result))
    return ExitCode.GOOD


def turned_lines(result: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what a reported turn did and taught, in words without signs."""
    bolt, turns, went = result["bolt"], result["turns"], result["went_arcmin"]
    sense = "clockwise" if turns > 0 else "anticlockwise"
    if abs(went) < 2.0 * result["went_sigma_arcmin"]:
        did = "nothing was seen to move; as long as the thread is slack, that is so"
    elif bolt == "altitude":
        did = f"{'raised' if went > 0 else 'lowered'} the axis by {abs(went):.2f} arcmin"
    else:
        head = "clockwise" if went > 0 else "anticlockwise"
        did = f"turned the mount head {abs(went):.2f} arcmin {head} seen from above"
    gain, slack = result["arcmin_per_turn"], result["slack_turns"]
    lines = [f"{bolt} knob, {abs(turns):g} turn {sense}: {did}"]
    if gain is None:
        lines.append("  how much a whole turn does is not known yet: turn on, and report again")
    else:
        lines.append(
            f"  a whole turn does {abs(gain):.2f} arcmin (+- {result['arcmin_per_turn_sigma']:.2f})"
        )
    if slack > 0.0:
        lines.append(f"  slack {slack:.2f} turn: so much is lost when the sense of turning changes")
    if result["doubtful"]:
        lines.append("  this does not fit the turns before it and was set aside")
    return tuple(lines)


def solar_filter(options: argparse.Namespace, output: Output) -> ExitCode:
    """Give, or take back, the person's word about a solar filter."""
    arguments = {"camera": options.camera, "fitted": not options.removed}
    result = _send(_settings(options), "confirm_solar_filter", arguments, output)
    output.result(result, *(_FILTER_OFF if options.removed else _FILTER_ON))
    return ExitCode.GOOD


def sensor_on_sun(options: argparse.Namespace, output: Output) -> ExitCode:
    """Give the person's word that a side of the sensor is turned to the Sun."""
    result = _send(_settings(options), "sensor_on_sun", {"side": options.side}, output)
    off = result["compass_was_off_deg"]
    output.result(
        result,
        f"the compass of {result['source']} was off by {abs(off):.0f} deg; now it is set by the "
        f"Sun, to {result['sigma_deg']:.1f} deg where the sensor lies now",
        "  the less it is turned from here to the axis, the better that holds; it ends in an hour",
    )
    return ExitCode.GOOD


def placement(options: argparse.Namespace, output: Output) -> ExitCode:
    """Say where the feet stand and print how the axis will be found."""
    arguments: dict[str, Any] = {"name": options.name}
    arguments |= {"marked": True} if options.marked else {}
    arguments |= {"bolts_turned": True} if options.bolts_turned else {}
    result = _send(_settings(options), "note_placement", arguments, output)
    output.result(result, result["text"])
    return ExitCode.GOOD


def status(options: argparse.Namespace, output: Output) -> ExitCode:
    """Say what the service knows now."""
    view = asyncio.run(_collect(_settings(options)))
    output.result(view.as_message(), *view.lines())
    verdict = view.verdict
    return VERDICT_EXIT_CODES[verdict] if verdict else ExitCode.CANNOT_TELL


async def _collect(settings: Settings) -> EveningView:
    view = EveningView()
    try:
        async with asyncio.timeout(_RETAINED_WAIT_S):
            async with contextlib.aclosing(topics(settings)) as updates:
                async for update in updates:
                    view.take(update.topic, update.payload)
    except TimeoutError:
        pass
    if not view.online:
        offline = LinkError(
            "the service's topics say offline, or there are none",
            remedy="Start it with `polewright run`.",
            code="no_service",
        )
        raise await explained(settings, offline)
    return view


def watch(options: argparse.Namespace, output: Output) -> ExitCode:
    """Show the corrections as they come."""
    settings = _settings(options)
    if options.once:
        return status(options, output)
    if options.json:

        async def lines() -> None:
            async for update in topics(settings):
                output.result({"topic": update.topic, "payload": update.payload})

        asyncio.run(lines())
        return ExitCode.GOOD
    asyncio.run(render(lambda: topics(settings), settings.mount.slug))
    return ExitCode.GOOD
