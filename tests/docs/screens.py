"""Screens of the terminal display, as it draws them: text in SVG, red on black."""

import io
import re
from pathlib import Path
from typing import Any

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console
from rich.terminal_theme import TerminalTheme

from polewright.cli.display import EveningView
from polewright.cli.fleet_drawing import fleet_screen
from polewright.cli.watching import screenful
from polewright.session.mount_standing import MountRow, Standing
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


FLEET = "fleet"
_GROUND = "red3 on black"


def draw_screens() -> list[Path]:
    """Draw every screen and return the files."""
    paths = []
    for name in (*SCREENS, FLEET):
        path = PAGES / "images" / f"{name}.svg"
        path.write_text(drawn(name), "utf-8")
        paths.append(path)
    return paths


def fleet_rows() -> list[MountRow]:
    """Return the mounts of an evening on Thornveld Terrace."""

    def row(mount: str, standing: Standing, error: float | None, **more: Any) -> MountRow:
        plain: dict[str, Any] = {
            "verdict": None, "total_error_sigma_arcmin": None if error is None else 0.12,
            "tolerance_arcmin": None if error is None else 1.0, "measured_age_s": None,
            "live": False, "state": "idle", "heard_age_s": 2.0, "note": "", "remedy": "",
        }  # fmt: skip
        fields = plain | more
        return MountRow(mount=mount, standing=standing, total_error_arcmin=error, **fields)

    return [
        row("oryx", Standing.BLOCKED, 6.4, measured_age_s=500.0, state="blocked",
            note="the camera does not answer any more", remedy="See to its cable."),
        row("kudu", Standing.MOVED, 0.41, measured_age_s=5200.0, state="watching",
            note="the axis moved by 3.2 arcmin +- 0.3; the field jumped along declination, and "
            "the mount was not sent", remedy="Survey it again before its next exposure."),
        row("eland", Standing.QUIET, 0.5, measured_age_s=900.0, note="last heard 4 min ago",
            remedy="See to its computer, power and network."),
        row("gemsbok", Standing.NOT_YET, 14.2, live=True, state="adjusting"),
        row("roan", Standing.NOT_MEASURED, None),
        row("sable", Standing.GOOD_ENOUGH, 0.62, measured_age_s=1500.0),
        row("nyala", Standing.GOOD_ENOUGH, 0.31, measured_age_s=3100.0),
        row("klipspringer", Standing.OFF, None, state="idle", note="last heard 3 h ago"),
    ]  # fmt: skip


def _console(columns: int, rows: int) -> Console:
    return Console(
        record=True, file=io.StringIO(), force_terminal=True, width=columns, height=rows,
        color_system="truecolor", _environ={},
    )  # fmt: skip


def _svg(console: Console, title: str, name: str) -> str:
    svg = console.export_svg(title=title, theme=_THEME, code_format=_FORMAT, unique_id=name)
    # No window's buttons: nothing but red is shown at night.
    return re.sub(r'<g transform="translate\(26,22\)">.*?</g>', "", svg, flags=re.DOTALL)


def drawn(name: str) -> str:
    """Return one screen as SVG."""
    if name == FLEET:
        console = _console(88, 20)
        where = "127.0.0.1:1883, polewright/"
        console.print(fleet_screen(fleet_rows(), "", where, width=88, height=20), style=_GROUND)
        return _svg(console, "polewright fleet", name)
    columns, rows, topics = SCREENS[name]
    view = EveningView(monotonic=lambda: 100.0)
    view.take("availability", "online")
    for topic, payload in topics.items():
        view.take(topic, payload)
    console = _console(columns, rows)
    console.print(screenful(view, "kudu", console), end="")
    return _svg(console, "polewright watch", name)
