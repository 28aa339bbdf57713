"""Commands to a running service, over MQTT."""

import argparse
import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from polewright.adapters.direct.stop_door import stop_directly
from polewright.adapters.mqtt.client import send_command, watch_topics
from polewright.cli.display import EveningView
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output, ProgressBar
from polewright.cli.watching import render
from polewright.core.errors import LinkError, PolewrightError, UsageError
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

# Retained topics arrive within milliseconds of subscribing; a busy small computer takes longer.
_RETAINED_WAIT_S = 1.0

# Once a service on this machine has stopped, the broker's answer is waited for so long (s).
_BROKER_TOO_S = 1.0

_FILTER_OFF = ("the Sun's cone holds again: cap the tube before anything moves",)
_FILTER_ON = (
    "DANGER - the Sun's cone is lifted for this camera, on your word alone:",
    "  the filter is IN FRONT of the objective, whole, and neither wind nor a child takes it off;",
    "  every other tube and every finder is capped or filtered as well;",
    "  nobody looks through anything; nobody leaves the telescope alone.",
    "The word ends when the devices are connected anew, with another camera, and in 6 hours.",
    "When the filter comes off, cap the tube FIRST, then: polewright solar-filter CAMERA --removed",
)

Command = Callable[[argparse.Namespace, Output], ExitCode]


def _settings(options: argparse.Namespace) -> Settings:
    return load_settings(find_settings_file(options.config))


def _send(
    settings: Settings, verb: str, arguments: Mapping[str, Any], output: Output
) -> dict[str, Any]:
    with output.progress(verb) as bar:

        def on_progress(message: dict[str, Any]) -> None:
            _show(bar, message)

        return asyncio.run(send_command(settings, verb, arguments, on_progress))


def _show(bar: ProgressBar, message: Mapping[str, Any]) -> None:
    correction = message.get("correction")
    if isinstance(correction, Mapping):
        words = f"{correction['altitude_words']}; {correction['azimuth_words']}"
        bar.update(float(correction["closeness"]) / 100.0, words)
        return
    percent = message.get("percent")
    bar.update(float(percent or 0) / 100.0, str(message.get("step") or ""))


def survey(options: argparse.Namespace, output: Output) -> ExitCode:
    """Measure the axis; ``--clear`` gives the person's word first."""
    settings = _settings(options)
    if options.clear:
        _send(settings, "confirm_clear", {}, output)
    arguments = {"by_hand": True} if options.by_hand else {}
    result = _send(settings, "survey", arguments, output)
    output.result(result, *_survey_lines(result))
    return VERDICT_EXIT_CODES[str(result["verdict"])]


def _survey_lines(result: Mapping[str, Any]) -> tuple[str, ...]:
    return (
        f"axis off by {result['total_error_arcmin']:.2f} arcmin "
        f"(+- {result['total_error_sigma_arcmin']:.2f}) from the {result['target_pole']} pole",
        f"  altitude {result['altitude_error_arcmin']:+.2f} arcmin, "
        f"azimuth {result['azimuth_error_arcmin']:+.2f} arcmin",
        f"  {str(result['verdict']).replace('_', ' ')} "
        f"(tolerance {result['tolerance_arcmin']:.2f} arcmin, {result['frames']} frames over "
        f"{result['sweep_deg']:.0f} deg)",
    )


def adjust(options: argparse.Namespace, output: Output) -> ExitCode:
    """Follow the bolts live; ``--motors`` turns them, ``--clear`` gives the person's word first."""
    settings = _settings(options)
    if options.clear:
        _send(settings, "confirm_clear", {}, output)
    arguments = {"stop_when_good": True} if options.until_good else {}
    if options.motors is not None:
        arguments["motors"] = options.motors
    try:
        result = _send(settings, "adjust", arguments, output)
    except KeyboardInterrupt:
        # Whoever leaves the display leaves the bolts: the service need not go on exposing.
        _send(settings, "stop", {}, output)
        raise
    verdict = str(result["verdict"])
    steps = f" after {result['motor_steps']} steps of the motors" if "motor_steps" in result else ""
    output.result(
        result,
        f"{verdict.replace('_', ' ')}: off by {result['total_error_arcmin']:.2f} arcmin{steps}",
    )
    return VERDICT_EXIT_CODES[verdict]


def turned(options: argparse.Namespace, output: Output) -> ExitCode:
    """Report a turn of a knob and say what it taught."""
    arguments = {"bolt": options.bolt, "turns": options.turns}
    result = _send(_settings(options), "turned", arguments, output)
    gain = result["arcmin_per_turn"]
    known = (
        "its travel per turn is not known yet"
        if gain is None
        else f"{abs(gain):.2f} arcmin (+- {result['arcmin_per_turn_sigma']:.2f}) per turn"
    )
    output.result(
        result,
        f"{result['bolt']}: {result['turns']:+g} turns moved it "
        f"{result['went_arcmin']:+.2f} arcmin; {known}, slack {result['slack_turns']:.2f} turn",
        *(("  this does not fit the turns before it and was set aside",)
          if result["doubtful"] else ()),
    )  # fmt: skip
    return ExitCode.GOOD


def solar_filter(options: argparse.Namespace, output: Output) -> ExitCode:
    """Give, or take back, the person's word about a solar filter."""
    arguments = {"camera": options.camera, "fitted": not options.removed}
    result = _send(_settings(options), "confirm_solar_filter", arguments, output)
    output.result(result, *(_FILTER_OFF if options.removed else _FILTER_ON))
    return ExitCode.GOOD


def stop(options: argparse.Namespace, output: Output) -> ExitCode:
    """Stop the mount and whatever runs, by the broker and directly."""
    result = asyncio.run(stop_by_all_ways(_settings(options), output.note))
    output.result(result, "stopped" if result.get("stopped") else "nothing was running")
    return ExitCode.GOOD


async def stop_by_all_ways(settings: Settings, note: Callable[[str], None]) -> dict[str, Any]:
    """Stop by the broker and, where the service runs on this machine, directly: both at once.

    Raises
    ------
    PolewrightError
        Neither way brought it there; or the service heard it and could not do it.
    """
    by_broker = asyncio.create_task(send_command(settings, "stop"))
    try:
        try:
            directly = await stop_directly(settings)
        except PolewrightError as failure:
            try:
                return await by_broker
            except PolewrightError:
                raise failure from None
        if directly is None:
            return await _answered(by_broker)
        try:
            async with asyncio.timeout(_BROKER_TOO_S):
                told = await asyncio.shield(by_broker)
        except TimeoutError:
            note("The broker does not answer; the stop went to the service directly.")
        except PolewrightError as trouble:
            if trouble.code != "mqtt_off":
                note(f"{trouble.text}; the stop went to the service directly.")
        else:
            return told | {"stopped": bool(directly["stopped"] or told.get("stopped"))}
        return directly
    finally:
        by_broker.cancel()
        await asyncio.gather(by_broker, return_exceptions=True)


async def _answered(by_broker: asyncio.Task[dict[str, Any]]) -> dict[str, Any]:
    try:
        return await by_broker
    except UsageError as refused:
        if refused.code != "mqtt_off":
            raise
        raise LinkError(
            "no polewright service for this mount runs on this machine",
            remedy="Use the mount's own stop or its power switch, if it moves.",
            code="no_service",
        ) from None


def status(options: argparse.Namespace, output: Output) -> ExitCode:
    """Say what the service knows now."""
    view = asyncio.run(_collect(_settings(options)))
    if not view.online:
        raise LinkError(
            "the service is not running (its topics say offline, or there are none)",
            remedy="Start it with `polewright run`.",
            code="no_service",
        )
    output.result(view.as_message(), *view.lines())
    verdict = view.verdict
    return VERDICT_EXIT_CODES[verdict] if verdict else ExitCode.CANNOT_TELL


async def _collect(settings: Settings) -> EveningView:
    view = EveningView()
    try:
        async with asyncio.timeout(_RETAINED_WAIT_S):
            async for update in watch_topics(settings):
                view.take(update.topic, update.payload)
    except TimeoutError:
        pass
    return view


def watch(options: argparse.Namespace, output: Output) -> ExitCode:
    """Show the corrections as they come."""
    settings = _settings(options)
    if options.once:
        return status(options, output)
    if options.json:

        async def lines() -> None:
            async for update in watch_topics(settings):
                output.result({"topic": update.topic, "payload": update.payload})

        asyncio.run(lines())
        return ExitCode.GOOD
    asyncio.run(render(lambda: watch_topics(settings), settings.mount.slug))
    return ExitCode.GOOD


COMMANDS: Mapping[str, Command] = {
    "survey": survey,
    "adjust": adjust,
    "turned": turned,
    "solar-filter": solar_filter,
    "stop": stop,
    "status": status,
    "watch": watch,
}
