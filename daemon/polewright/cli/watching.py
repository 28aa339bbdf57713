"""The terminal display: what to do with each bolt, in deep red on black, words before figures."""

import asyncio
import contextlib
from collections.abc import AsyncGenerator, Callable
from typing import Any

from rich.align import Align
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.rule import Rule
from rich.text import Text

from polewright.adapters.mqtt.client import TopicUpdate
from polewright.cli.display import (
    NOT_UNDERSTOOD,
    STRANGE,
    VERDICT_WORDS,
    EveningView,
    on_sky_words,
)
from polewright.cli.output import event_line
from polewright.core.axis.correction import says_leave
from polewright.core.errors import PolewrightError
from polewright.program import as_called

_STYLE = "red3"
_STRONG = "bold red1"
_FAINT = "dark_red"
_GROUND = "red3 on black"

_REDRAW_HZ = 4
_RETRY_S = 2.0
# Older frames than this are told with their age in strong words (s).
_OLD_S = 4.0
_FULL_SCALE_ARCMIN = 120.0
# Wider lines are harder to take in at a glance.
_WIDEST = 92
# From here on there is room for figures that are read from across the terrace.
_TALL, _BROAD = 26, 60

# Five lines by three cells a figure, as rows from the top.
_FIGURES = {
    "0": "###|# #|# #|# #|###", "1": "  #|  #|  #|  #|  #", "2": "###|  #|###|#  |###",
    "3": "###|  #|###|  #|###", "4": "# #|# #|###|  #|  #", "5": "###|#  |###|  #|###",
    "6": "###|#  |###|# #|###", "7": "###|  #|  #|  #|  #", "8": "###|# #|###|# #|###",
    "9": "###|# #|###|  #|###", ".": " | | | |#", "'": "#|#| | | ", '"': "# #|# #|   |   |   ",
}  # fmt: skip


async def render(
    topics: Callable[[], AsyncGenerator[TopicUpdate, None]],
    mount: str,
    console: Console | None = None,
    hint: str = "",
) -> None:
    """Draw until cancelled; survives a broker that comes and goes, and a window that changes.

    ``hint`` stands below: how to leave.
    """
    view = EveningView()
    console = console or Console()
    with Live(console=console, auto_refresh=False, screen=console.is_terminal) as live:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(_follow(topics, view))
            while True:
                live.update(screenful(view, mount, console, hint), refresh=True)
                await asyncio.sleep(1.0 / _REDRAW_HZ)


async def _follow(
    topics: Callable[[], AsyncGenerator[TopicUpdate, None]], view: EveningView
) -> None:
    while True:
        try:
            async with contextlib.aclosing(topics()) as updates:
                async for update in updates:
                    view.find()
                    view.take(update.topic, update.payload)
        except PolewrightError as trouble:
            view.lose(str(trouble))
        await asyncio.sleep(_RETRY_S)


def screenful(view: EveningView, mount: str, console: Console, hint: str = "") -> RenderableType:
    """Return the display of one moment as it fills a window, black to its edges."""
    width, height = console.size
    try:
        shown = picture(view, mount, width=width, height=height, ink=_ink(console), hint=hint)
    except NOT_UNDERSTOOD:
        shown = picture(EveningView(link=STRANGE), mount, width=width, height=height, hint=hint)
    return Align.center(
        shown,
        vertical="middle",
        style=_GROUND,
        height=height if console.is_terminal else None,
    )


def picture(
    view: EveningView, mount: str, *, width: int, height: int, ink: str = "#", hint: str = ""
) -> RenderableType:
    """Return the display of one moment, for a window of that many cells; ``ink`` fills figures."""
    room = min(width - 2, _WIDEST)
    state = view.message("state")
    head = Text(f"{mount}  {state.get('state', '')}".rstrip(), style=_STYLE)
    parts: list[RenderableType] = [Rule(head, style=_FAINT, characters="-")]
    if view.link:
        parts += [_text(view.link, _STRONG), Text()]
        parts += [Text("This display goes on by itself once it is there.", style=_STYLE), Text()]
    elif not view.online:
        words = "the service is offline; what follows is old"
        parts += [Text(words, style=_STRONG), Text()]
    if view.live:
        large = height >= _TALL and width >= _BROAD
        parts += _turning(view, room, ink if large else "")
    elif not view.link or view.message("state"):
        parts += _resting(view, room)
    parts += [*_news(view), Rule(style=_FAINT, characters="-")]
    if hint:
        parts.append(_text(hint, _FAINT))
    return Align.center(Group(*parts), width=room)


def _turning(view: EveningView, room: int, ink: str) -> list[RenderableType]:
    """Return what to do with each bolt now; with large figures where there is ink."""
    correction = view.message("correction")
    parts: list[RenderableType] = [
        Text(),
        Text(VERDICT_WORDS[correction["verdict"]], style=_STRONG, justify="center"),
        Text(),
    ]
    for name, senses in (("altitude", ("lower", "raise")), ("azimuth", _head_ways(correction))):
        error = float(correction[f"{name}_error_arcmin"])
        words, _, knob = str(correction[f"{name}_words"]).partition("; ")
        parts.append(Text(words, style=_STRONG))
        if knob:
            parts.append(Text(f"  {knob}", style=_STYLE))
        if ink:
            parts.append(_large(error, ink))
        parts += [_bolt(error, room, *(() if says_leave(words) else senses)), Text()]
    figures = (
        f"off by {correction['total_error_arcmin']:.2f} arcmin "
        f"+- {correction['total_error_sigma_arcmin']:.2f}"
    )
    tolerance = correction.get("tolerance_arcmin") or view.message("survey").get("tolerance_arcmin")
    if tolerance:
        figures += f", good enough is {tolerance:.2f}"
    parts.append(Text(figures, style=_STYLE))
    if why := on_sky_words(correction):
        parts.append(Text(why, style=_FAINT))
    step = view.message("state")
    if step.get("reason"):
        parts.append(_text(f"{step['reason']}. {step.get('remedy') or ''}", _STRONG))
    age_s = view.age_s
    old = age_s > _OLD_S
    age = f"frame {correction['sequence']}, {age_s:.0f} s old"
    parts.append(Text(f"OLD: {age}" if old else age, style=_STRONG if old else _FAINT))
    return parts


def _resting(view: EveningView, room: int) -> list[RenderableType]:
    """Return what the service is doing, and what is known, while no correction is live."""
    state = view.message("state")
    parts: list[RenderableType] = [_text(line, _STYLE) for line in view.lines()]
    if state.get("state") == "blocked" and parts:
        parts[0] = Text("BLOCKED", style=_STRONG)
    percent = state.get("percent")
    if percent is not None and view.online:
        done = round((room - 8) * float(percent) / 100.0)
        bar = "#" * done + "-" * (room - 8 - done)
        parts += [Text(), Text(f"[{bar}] {percent:3.0f} %", style=_STYLE)]
    return parts


def _news(view: EveningView) -> list[RenderableType]:
    event, lines = view.news, []
    indi = view.message("health").get("indi") or {}
    if view.online and indi.get("problem") and not view.message("state").get("reason"):
        lines.append(str(indi["problem"]))
    if event and event.get("code") != "blocked":
        lines.append(event_line(event))
    return [Text(), *(_text(line, _STYLE) for line in lines)] if lines else []


def _text(words: str, style: str) -> Text:
    """Return words that may name commands, as this person types them."""
    return Text(as_called(words), style=style)


def _head_ways(correction: dict[str, Any]) -> tuple[str, str]:
    """Return where the mount head goes to undo a positive and a negative azimuth error."""
    west = "toward the west" in correction["azimuth_words"]
    positive_to_west = west == (correction["azimuth_error_arcmin"] > 0)
    ways = ("to the west", "to the east")
    return ways if positive_to_west else (ways[1], ways[0])


def _bolt(error_arcmin: float, room: int, *senses: str) -> Text:
    """Return a bolt's travel: the nut has to come to the middle notch.

    ``senses`` undo a positive and a negative error; without them the bolt is to be left.

    The scale is compressed (square root) so that both degrees and arcseconds move the nut.
    """
    cells_wide = max(11, min(61, room - 18)) // 2 * 2 + 1
    half = cells_wide // 2
    part = (min(abs(error_arcmin), _FULL_SCALE_ARCMIN) / _FULL_SCALE_ARCMIN) ** 0.5
    place = half + round(half * part) * (1 if error_arcmin > 0 else -1)
    cells = ["-"] * cells_wide
    cells[half] = "|"
    cells[place] = "#"
    row = f"[{''.join(cells)}]"
    if senses and place != half:
        row += f" << {senses[0]}" if error_arcmin > 0 else f" >> {senses[1]}"
    return Text(row, style=_STYLE, no_wrap=True)


def _ink(console: Console) -> str:
    return "\u2588" if console.encoding.startswith("utf") else "#"


def _large(error_arcmin: float, ink: str) -> Text:
    """Return an amount in figures of five lines: arcminutes, or arcseconds below one."""
    amount = abs(error_arcmin)
    shown = f"{amount:.1f}'" if amount >= 1.0 else f'{amount * 60.0:.0f}"'
    rows = [_FIGURES[figure].split("|") for figure in shown]
    lines = (" ".join(row[line] for row in rows) for line in range(5))
    # A cell is about twice as high as it is wide.
    wide = ("".join(2 * cell for cell in line).replace("#", ink) for line in lines)
    return Text("\n".join(f"  {line}" for line in wide), style=_STRONG, no_wrap=True)
