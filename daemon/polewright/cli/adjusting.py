"""``polewright adjust``: the display while the bolts are turned; leaving it leaves the rest."""

import argparse
import asyncio
import contextlib
from collections.abc import AsyncIterator, Coroutine, Mapping
from functools import partial
from typing import Any

from polewright.adapters.mqtt.client import TopicUpdate
from polewright.cli.display import EveningView, verdict_line
from polewright.cli.interrupting import NOT_AWAITED, STOPPED, stopped_by_ctrl_c
from polewright.cli.output import VERDICT_EXIT_CODES, ExitCode, Output, event_line
from polewright.cli.reaching import command, topics
from polewright.cli.stopping import stop_by_all_ways
from polewright.cli.watching import render
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.settings.load import find_settings_file, load_settings
from polewright.settings.model import Settings

_GOES_ON = (
    "The adjustment goes on without this display. `polewright watch` shows it, `polewright stop` "
    "ends it."
)
_LEAVE = "Ctrl-C leaves this display; the adjustment goes on until `polewright stop`"
_LEAVE_MOTORS = "Ctrl-C stops the motors"
_JOINED = "An adjustment is running already: this shows it."
# A command that is refused at once needs no display (s).
_REFUSED_WITHIN_S = 0.7


def adjust(options: argparse.Namespace, output: Output) -> ExitCode:
    """Follow the bolts live; ``--motors`` turns them, ``--clear`` gives the person's word first.

    Ctrl-C leaves the display of an adjustment by hand; where motors turn the bolts it stops them.
    One that runs already is joined, unless motors were asked for.
    """
    settings = load_settings(find_settings_file(options.config))
    try:
        result = _own(settings, options, output)
    except PolewrightError as refused:
        if refused.code != "busy" or options.motors:
            raise
        result = _join(settings, options, output, refused)
    steps = f" after {result['motor_steps']} steps of the motors" if "motor_steps" in result else ""
    output.result(result, f"{verdict_line(result)}{steps}")
    return VERDICT_EXIT_CODES[str(result["verdict"])]


def _own(settings: Settings, options: argparse.Namespace, output: Output) -> dict[str, Any]:
    """Begin an adjustment and follow it to its end."""
    by_motors = settings.adjuster.motors if options.motors is None else options.motors
    by_motors = by_motors and options.by in (None, "stars")
    arguments: dict[str, Any] = {"stop_when_good": True} if options.until_good else {}
    if options.motors is not None:
        arguments["motors"] = options.motors
    if options.by is not None:
        arguments["by"] = options.by

    async def adjusted() -> dict[str, Any]:
        if options.clear:
            await command(settings, "confirm_clear")
        work = command(settings, "adjust", arguments, _Lines(output))
        return await _displayed(work, settings, output, _LEAVE_MOTORS if by_motors else _LEAVE)

    if not by_motors:
        return _left_by_ctrl_c(adjusted())
    stop = partial(stop_by_all_ways, settings, output.note)
    try:
        result = asyncio.run(stopped_by_ctrl_c(adjusted(), stop, output.note))
    except KeyboardInterrupt:
        raise KeyboardInterrupt(NOT_AWAITED) from None
    if result is None:
        raise KeyboardInterrupt(f"{STOPPED}; look at the head before you adjust again")
    return result


def _join(
    settings: Settings, options: argparse.Namespace, output: Output, refused: PolewrightError
) -> dict[str, Any]:
    """Show the adjustment that runs, until it ends; something else that runs is the refusal."""

    async def joined() -> dict[str, Any]:
        view = EveningView()
        wanted = ("availability", "state", "correction")
        async with contextlib.aclosing(topics(settings, *wanted)) as updates:
            if not await _is_adjusting(updates, view):
                raise refused
            output.note(_JOINED)
            follow = _followed(updates, view, _Lines(output), until_good=options.until_good)
            last = await _displayed(follow, settings, output, f"{_JOINED} {_LEAVE}")
        if _phase(view) == "adjusting":
            output.note(_GOES_ON)
        return last

    return _left_by_ctrl_c(joined())


def _left_by_ctrl_c(work: Coroutine[Any, Any, dict[str, Any]]) -> dict[str, Any]:
    try:
        return asyncio.run(work)
    except KeyboardInterrupt:
        raise KeyboardInterrupt(_GOES_ON) from None


async def _is_adjusting(updates: AsyncIterator[TopicUpdate], view: EveningView) -> bool:
    """Take what is retained until the state is known."""
    async for update in updates:
        view.take(update.topic, update.payload)
        if update.topic == "state":
            break
    return _phase(view) == "adjusting"


async def _followed(
    updates: AsyncIterator[TopicUpdate],
    view: EveningView,
    lines: "_Lines",
    *,
    until_good: bool,
) -> dict[str, Any]:
    """Take topics while the adjustment runs, or until it is good; return the last correction."""
    last = view.message("correction") if view.message("correction").get("live") else None
    async for update in updates:
        view.take(update.topic, update.payload)
        correction = view.message("correction")
        if update.topic == "correction" and correction.get("live"):
            last = correction
            lines.follow({"correction": correction})
        done = until_good and last is not None and last["verdict"] == "good_enough"
        if done or _phase(view) != "adjusting" or view.topics.get("availability") == "offline":
            break
    if last is None:
        raise MeasurementError(
            "the adjustment ended before a frame was measured",
            remedy="`polewright status` says why.",
            code="no_correction",
        )
    return last


def _phase(view: EveningView) -> str:
    return str(view.message("state").get("state", ""))


async def _displayed(
    work: Coroutine[Any, Any, dict[str, Any]], settings: Settings, output: Output, hint: str
) -> dict[str, Any]:
    """Await the work while the terminal, if there is one, shows what to do with each bolt."""
    working = asyncio.ensure_future(work)
    drawing: asyncio.Future[None] | None = None
    try:
        await asyncio.wait({working}, timeout=_REFUSED_WITHIN_S)
        if not working.done() and (console := output.display) is not None:
            drawing = asyncio.ensure_future(
                render(lambda: topics(settings), settings.mount.slug, console, hint)
            )
            await asyncio.wait({working, drawing}, return_when=asyncio.FIRST_COMPLETED)
        return await working
    finally:
        working.cancel()
        if drawing is not None:
            drawing.cancel()
            await asyncio.gather(drawing, return_exceptions=True)
        await asyncio.gather(working, return_exceptions=True)


class _Lines:
    """Tells line by line how the adjustment goes on, where no terminal can show it drawn."""

    def __init__(self, output: Output) -> None:
        self._output = output
        self._said = ""

    def follow(self, message: Mapping[str, Any]) -> None:
        """Tell a correction, or a step, where it changes."""
        words = str(message.get("step") or "")
        if correction := message.get("correction"):
            words = (
                f"{verdict_line(correction)}: {correction['altitude_words']}; "
                f"{correction['azimuth_words']}"
            )
        if words and words != self._said:
            self._tell(words)
        self._said = words

    def warn(self, event: Mapping[str, Any]) -> None:
        """Tell what the service warns of."""
        self._tell(event_line(event))

    def _tell(self, words: str) -> None:
        if self._output.display is None:
            self._output.note(f"  {words}")
