"""Screens of the terminal display, as it draws them: text in SVG, red on black."""

import io
import re
from pathlib import Path
from typing import Any

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console
from rich.terminal_theme import TerminalTheme

from polewright.cli.display import EveningView
from polewright.cli.watching import screenful
from tests.docs.blocks import PAGES

# Pages must not fetch a font from elsewhere: the reader's own fixed font does.
_FORMAT = re.sub(r"@font-face \{\{.*?\}\}\n", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL).replace(
    "Fira Code", "DejaVu Sans Mono"
)
_THEME = TerminalTheme(
    (0, 0, 0), (208, 64, 48), [(0, 0, 0), *[(208, 64, 48)] * 7], [(255, 80, 64)] * 8
)

_CORRECTION: dict[str, Any] = {
    "sequence": 31,
    "altitude_error_arcmin": 1.41,
    "azimuth_error_arcmin": -3.22,
    "total_error_arcmin": 3.07,
    "total_error_sigma_arcmin": 0.15,
    "tolerance_arcmin": 1.0,
    "altitude_words": "lower the axis 1.4 arcmin; knob about 1/16 turn clockwise as you face it",
    "azimuth_words": "turn the mount head 3.2 arcmin toward the east; knob about 1/16 turn "
    "clockwise as you face it",
    "verdict": "not_yet",
    "live": True,
    "frame_age_s": 0.4,
}
_GOOD = _CORRECTION | {
    "altitude_error_arcmin": 0.08,
    "azimuth_error_arcmin": -0.42,
    "total_error_arcmin": 0.38,
    "altitude_words": "leave the altitude as it is",
    "azimuth_words": "leave the azimuth as it is",
    "verdict": "good_enough",
}
_SURVEY = {
    "method": "stars", "total_error_arcmin": 41.72, "total_error_sigma_arcmin": 0.13,
    "verdict": "not_yet", "tolerance_arcmin": 1.0,
}  # fmt: skip
_ADJUSTING = {"state": "adjusting", "step": "turn the bolts"}

# By name: columns, rows, and the topics that are shown.
SCREENS: dict[str, tuple[int, int, dict[str, Any]]] = {
    "watch-not-yet": (80, 20, {"state": _ADJUSTING, "correction": _CORRECTION}),
    "watch-good-enough": (80, 18, {"state": _ADJUSTING, "correction": _GOOD}),
    "watch-large": (110, 34, {"state": _ADJUSTING, "correction": _CORRECTION}),
    "watch-narrow": (40, 22, {"state": _ADJUSTING, "correction": _CORRECTION}),
    "watch-surveying": (
        80, 12,
        {"state": {"state": "surveying", "step": "frame 2 of 3", "percent": 45.0},
         "survey": _SURVEY},
    ),
    "watch-blocked": (
        80, 12,
        {"state": {"state": "blocked", "step": "", "reason": "no INDI server answers at "
                   "127.0.0.1:7624", "remedy": "Start it; the service reconnects by itself."},
         "survey": _SURVEY},
    ),
}  # fmt: skip


def draw_screens() -> list[Path]:
    """Draw every screen and return the files."""
    paths = []
    for name in SCREENS:
        path = PAGES / "images" / f"{name}.svg"
        path.write_text(drawn(name), "utf-8")
        paths.append(path)
    return paths


def drawn(name: str) -> str:
    """Return one screen as SVG."""
    columns, rows, topics = SCREENS[name]
    view = EveningView(monotonic=lambda: 100.0)
    view.take("availability", "online")
    for topic, payload in topics.items():
        view.take(topic, payload)
    console = Console(
        record=True, file=io.StringIO(), force_terminal=True, width=columns, height=rows,
        color_system="truecolor", _environ={},
    )  # fmt: skip
    console.print(screenful(view, "kudu", console), end="")
    svg = console.export_svg(
        title="polewright watch", theme=_THEME, code_format=_FORMAT, unique_id=name
    )
    # No window's buttons: nothing but red is shown at night.
    return re.sub(r'<g transform="translate\(26,22\)">.*?</g>', "", svg, flags=re.DOTALL)
