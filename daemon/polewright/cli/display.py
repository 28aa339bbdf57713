"""The terminal display: what to do with each bolt, in deep red, before any figure."""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any

from rich.align import Align
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from polewright.adapters.mqtt.client import TopicUpdate
from polewright.core.errors import LinkError

_STYLE = "red3"
_STRONG = "bold red1"
_FAINT = "dark_red"
# A figure older than this is shown as old (s).
_FRESH_S = 6.0
_REDRAW_HZ = 4
_RETRY_S = 2.0
_BOLT_WIDTH = 41
_FULL_SCALE_ARCMIN = 120.0

VERDICT_WORDS = {
    "good_enough": "GOOD ENOUGH - leave the bolts",
    "not_yet": "NOT YET - turn on",
    "cannot_tell": "CANNOT TELL - the measurement is too uncertain",
}


@dataclass
class EveningView:
    """What the topics have said so far."""

    topics: dict[str, Any] = field(default_factory=dict)
    correction_at_s: float = 0.0
    link: str = ""

    def take(self, topic: str, payload: object) -> None:
        """Take one message."""
        self.topics[topic] = payload
        if topic == "correction":
            self.correction_at_s = time.monotonic()

    @property
    def online(self) -> bool:
        """True where the service says that it is there."""
        return self.topics.get("availability") == "online"

    @property
    def live(self) -> bool:
        """True where the correction is live and fresh."""
        correction = self.topics.get("correction")
        fresh = time.monotonic() - self.correction_at_s < _FRESH_S
        return isinstance(correction, dict) and bool(correction.get("live")) and fresh

    @property
    def verdict(self) -> str | None:
        """The newest verdict: the last correction's, else the survey's."""
        for source in (self.topics.get("correction"), self.topics.get("survey")):
            # What was seen last counts, live or not; without an adjustment that is the survey.
            if isinstance(source, dict) and (source.get("sequence") or source.get("method")):
                return str(source.get("verdict"))
        return None

    def as_message(self) -> dict[str, Any]:
        """Return the state, survey and correction as one object."""
        names = ("availability", "state", "site", "survey", "correction")
        return {name: self.topics.get(name) for name in names}

    def lines(self) -> list[str]:
        """Return the same as a few lines of text."""
        state = self.topics.get("state") or {}
        lines = [f"{state.get('state', 'unknown')}: {state.get('step') or 'nothing running'}"]
        if state.get("reason"):
            lines.append(f"  {state['reason']}. {state.get('remedy') or ''}")
        site = self.topics.get("site")
        if isinstance(site, dict):
            lines += _site_lines(site)
        survey = self.topics.get("survey")
        if isinstance(survey, dict):
            lines.append(f"last survey: {_figures(survey)}{_age(survey)}")
        correction = self.topics.get("correction")
        if isinstance(correction, dict) and not self.live and correction.get("sequence"):
            lines.append(f"last correction: {_figures(correction)}, no longer live")
        if self.live:
            correction = self.topics["correction"]
            lines += [f"  {correction['altitude_words']}", f"  {correction['azimuth_words']}"]
        return lines


def _site_lines(site: dict[str, Any]) -> list[str]:
    kept = {True: ", kept right from outside", False: ", kept right by nobody"}
    lines = [
        f"place: {site['latitude_deg']:+.2f} {site['longitude_deg']:+.2f} deg, from "
        f"{site['place_source'] or 'the service'}; time from {site['time_source']}"
        f"{kept.get(site['clock_disciplined'], '')}"
    ]
    return lines + [
        f"  {doubt['text']}; {doubt['consequence']}. {doubt['remedy']}" for doubt in site["doubts"]
    ]


def _figures(message: dict[str, Any]) -> str:
    return (
        f"off by {message['total_error_arcmin']:.2f} arcmin "
        f"(+- {message['total_error_sigma_arcmin']:.2f}), "
        f"{str(message['verdict']).replace('_', ' ')}"
    )


def _age(survey: dict[str, Any]) -> str:
    age_s = survey.get("age_s")
    if age_s is None:
        return ""
    return f", {age_s / 3600.0:.1f} h old, from an earlier run"


async def render(topics: Callable[[], AsyncIterator[TopicUpdate]]) -> None:
    """Draw until cancelled; survives a broker that comes and goes."""
    view = EveningView()
    console = Console()
    with Live(console=console, auto_refresh=False, screen=console.is_terminal) as live:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(_follow(topics, view))
            while True:
                live.update(Align.center(picture(view), vertical="middle"), refresh=True)
                await asyncio.sleep(1.0 / _REDRAW_HZ)


async def _follow(topics: Callable[[], AsyncIterator[TopicUpdate]], view: EveningView) -> None:
    while True:
        try:
            async for update in topics():
                view.link = ""
                view.take(update.topic, update.payload)
        except LinkError as trouble:
            view.link = str(trouble)
        await asyncio.sleep(_RETRY_S)


def picture(view: EveningView) -> RenderableType:
    """Return the display of one moment."""
    parts: list[RenderableType] = []
    if view.link:
        parts.append(Text(view.link, style=_STRONG))
    if view.live:
        correction = view.topics["correction"]
        parts += [
            Text(VERDICT_WORDS[correction["verdict"]], style=_STRONG, justify="center"),
            Text(),
            Text(correction["altitude_words"], style=_STRONG),
            _bolt(correction["altitude_error_arcmin"], "lower", "raise"),
            Text(),
            Text(correction["azimuth_words"], style=_STRONG),
            _bolt(correction["azimuth_error_arcmin"], *_head_ways(correction)),
            Text(),
            Text(
                f"off by {correction['total_error_arcmin']:.2f} arcmin "
                f"+- {correction['total_error_sigma_arcmin']:.2f}",
                style=_STYLE,
            ),
        ]
    else:
        parts += [Text(line, style=_STYLE) for line in view.lines()]
    if not view.online:
        parts.append(Text("the service is offline; figures are old", style=_STRONG))
    return Panel(Group(*parts), border_style=_FAINT, width=72, title="polewright")


def _head_ways(correction: dict[str, Any]) -> tuple[str, str]:
    """Return where the mount head goes to undo a positive and a negative azimuth error."""
    west = "toward the west" in correction["azimuth_words"]
    positive_to_west = west == (correction["azimuth_error_arcmin"] > 0)
    ways = ("head to the west", "head to the east")
    return ways if positive_to_west else (ways[1], ways[0])


def _bolt(error_arcmin: float, undo_positive: str, undo_negative: str) -> Text:
    """Return a bolt's travel: the nut has to come to the middle notch.

    The scale is compressed (square root) so that both degrees and arcseconds move the nut.
    """
    half = _BOLT_WIDTH // 2
    part = (min(abs(error_arcmin), _FULL_SCALE_ARCMIN) / _FULL_SCALE_ARCMIN) ** 0.5
    place = half + round(half * part) * (1 if error_arcmin > 0 else -1)
    cells = ["-"] * _BOLT_WIDTH
    cells[half] = "|"
    cells[place] = "#"
    sense = undo_positive if error_arcmin > 0 else undo_negative
    arrow = "<<" if error_arcmin > 0 else ">>"
    return Text(f"[{''.join(cells)}] {arrow} {sense}" if place != half else f"[{''.join(cells)}]",
                style=_STYLE)  # fmt: skip
