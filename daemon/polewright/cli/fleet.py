"""``polewright fleet``: every mount of a broker at once, and the stop of them all."""

import argparse
import asyncio
import shutil
import sys
from collections.abc import Sequence

from rich.align import Align
from rich.console import Console
from rich.live import Live

from polewright.adapters.mqtt.fleet import StopAnswer, stop_fleet
from polewright.app.fleet import broker_words, fleet_now, follow_fleet, shared_broker_missing
from polewright.cli.fleet_drawing import fleet_lines, fleet_screen
from polewright.cli.output import ExitCode, Output
from polewright.core.errors import LinkError, UsageError
from polewright.session.fleet import FleetView, fleet_figures
from polewright.session.mount_standing import MountRow, Standing
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

_GROUND = "red3 on black"
_REDRAW_HZ = 2.0
# A stop is answered within a second or two; a mount that is slow to obey takes longer (s).
_STOP_WAIT_S = 10.0
_WIDE_WITHOUT_TERMINAL = 100

_GOOD = (Standing.GOOD_ENOUGH, Standing.OFF)
_OWN_STOP = "Use the mount's own stop or its power switch now, if it moves."


def fleet(options: argparse.Namespace, output: Output) -> ExitCode:
    """Show every mount of the broker, serve that as a page, or stop them all."""
    settings = load_settings(find_settings_file(options.config))
    if options.stop:
        return _stop(settings, output, sure=options.yes)
    if options.serve is not None:
        from polewright.cli.fleet_serving import serve

        return serve(settings, options.serve, output)
    if options.once:
        return _once(settings, output)
    if options.json:
        asyncio.run(_tell(settings, output))
    else:
        asyncio.run(_render(settings))
    return ExitCode.GOOD


def exit_code(rows: Sequence[MountRow]) -> ExitCode:
    """Return what the worst of the mounts means to a script."""
    standings = {row.standing for row in rows}
    if standings & {Standing.NOT_YET, Standing.MOVED} and standings <= {
        *_GOOD, Standing.NOT_YET, Standing.MOVED
    }:  # fmt: skip
        return ExitCode.NOT_GOOD_ENOUGH
    return ExitCode.GOOD if standings <= {*_GOOD} else ExitCode.CANNOT_TELL


def _once(settings: Settings, output: Output) -> ExitCode:
    try:
        view = asyncio.run(fleet_now(settings))
    except LinkError as trouble:
        raise shared_broker_missing(settings, trouble) from None
    rows = view.rows()
    if not rows:
        raise LinkError(
            f"no mount has said anything below {settings.mqtt.root}/ at {broker_words(settings)}",
            remedy="Correct [mqtt] host, port and root, or start a service with `polewright run`. "
            "A broker that keeps its lists of rights shows nothing to those it does not know.",
            code="no_mounts",
        )
    width = shutil.get_terminal_size((_WIDE_WITHOUT_TERMINAL, 24)).columns
    output.result(fleet_figures(view), *fleet_lines(rows, width))
    return exit_code(rows)


async def _render(settings: Settings) -> None:
    view, console, where = FleetView(), Console(), broker_words(settings)
    with Live(console=console, auto_refresh=False, screen=console.is_terminal) as live:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(follow_fleet(settings, view))
            while True:
                width, height = console.size
                picture = fleet_screen(view.rows(), view.link, where, width=width, height=height)
                # Black to the window's edges, whatever the terminal's own ground.
                full = Align.left(picture, vertical="top", style=_GROUND, height=height)
                live.update(full if console.is_terminal else picture, refresh=True)
                await asyncio.sleep(1.0 / _REDRAW_HZ)


async def _tell(settings: Settings, output: Output) -> None:
    """Print one object a second, for programs, until the reader goes."""
    view = FleetView()
    following = asyncio.create_task(follow_fleet(settings, view))
    try:
        while True:
            # Ends only where the settings are of no use.
            await asyncio.wait({following}, timeout=1.0)
            if following.done():
                following.result()
            output.result(fleet_figures(view))
    finally:
        following.cancel()
        await asyncio.gather(following, return_exceptions=True)


def _stop(settings: Settings, output: Output, *, sure: bool) -> ExitCode:
    where = broker_words(settings)
    if not sure:
        _ask(where)
    try:
        answers = asyncio.run(stop_fleet(settings, _STOP_WAIT_S))
    except LinkError as trouble:
        raise LinkError(
            f"the stop may have reached nobody: {trouble.text}",
            remedy=f"{_OWN_STOP} On a mount's own computer `polewright stop` works without the "
            "broker.",
            code=trouble.code,
        ) from None
    if all(one.answer == "offline" for one in answers):
        raise LinkError(
            f"the stop was sent to {where} and no service answered; none is online there",
            remedy=_OWN_STOP,
            code="no_mounts",
        )
    output.result(
        {
            "mounts": [
                {"mount": one.mount, "answer": one.answer, "text": one.text, "remedy": one.remedy}
                for one in answers
            ]
        },
        *stop_lines(answers),
    )
    bad = any(one.answer in ("failed", "silent") for one in answers)
    return ExitCode.CANNOT_TELL if bad else ExitCode.GOOD


def stop_lines(answers: Sequence[StopAnswer]) -> list[str]:
    """Return what the stop of all did, what may still move first."""

    def named(answer: str) -> str:
        return ", ".join(one.mount for one in answers if one.answer == answer)

    lines = [
        f"{one.mount} DID NOT TAKE THE STOP: {one.text}. {one.remedy or _OWN_STOP}"
        for one in answers
        if one.answer == "failed"
    ]
    if silent := named("silent"):
        lines.append(f"NO ANSWER from {silent}: it may not have arrived. {_OWN_STOP}")
    if stopped := named("stopped"):
        lines.append(f"stopped: {stopped}")
    if rested := named("nothing_ran"):
        lines.append(f"nothing ran, and the mount was told to stop: {rested}")
    if away := named("offline"):
        lines.append(
            f"not reached, since the broker does not hear them: {away}. Switched off, or cut off "
            "at work: look, if one of them may move."
        )
    return lines


def _ask(where: str) -> None:
    """Let the person say that all mounts are meant."""
    if not sys.stdin.isatty():
        raise UsageError(
            f"this would stop every mount at {where}, and nobody is here to say so",
            remedy="Say it with --yes.",
            code="not_confirmed",
        )
    sys.stderr.write(
        f"This stops EVERY mount at {where}: slews, surveys, exposures' tracking, watches.\n"
        "For one mount alone: `stop` with its own settings. Type stop and Enter to go on: "
    )
    sys.stderr.flush()
    if sys.stdin.readline().strip().lower() != "stop":
        raise UsageError(
            "nothing was stopped", remedy="Say stop to the question.", code="not_confirmed"
        )
