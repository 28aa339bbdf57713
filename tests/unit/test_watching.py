"""The terminal display: words first, red on black, in every size of window, honest about age."""

import io
import re
from typing import Any

import pytest
from rich.console import Console

from polewright.cli.display import EveningView
from polewright.cli.watching import screenful

CORRECTION: dict[str, Any] = {
    "sequence": 7, "altitude_error_arcmin": 3.2, "azimuth_error_arcmin": -7.5,
    "total_error_arcmin": 7.09, "total_error_sigma_arcmin": 0.1, "verdict": "not_yet",
    "altitude_words": "lower the axis 3.2 arcmin; knob about 1/4 turn clockwise",
    "azimuth_words": "turn the mount head 7.5 arcmin toward the east (clockwise seen from above)",
    "closeness": 42.0, "live": True, "frame_age_s": 0.2,
}  # fmt: skip
SURVEY: dict[str, Any] = {
    "method": "stars", "total_error_arcmin": 8.2, "total_error_sigma_arcmin": 0.2,
    "verdict": "not_yet", "tolerance_arcmin": 1.0,
}  # fmt: skip


class Clock:
    def __init__(self) -> None:
        self.now_s = 50.0

    def __call__(self) -> float:
        return self.now_s


def evening(**topics: Any) -> tuple[EveningView, Clock]:
    clock = Clock()
    view = EveningView(monotonic=clock)
    view.take("availability", "online")
    view.take("state", {"state": "adjusting", "step": "turn the bolts"})
    for topic, payload in topics.items():
        view.take(topic, payload)
    return view, clock


def shown(view: EveningView, width: int = 80, height: int = 24, *, colours: bool = False) -> str:
    out = io.StringIO()
    console = Console(
        file=out,
        force_terminal=True,
        width=width,
        height=height,
        _environ={"TERM": "xterm-256color"},
    )
    console.print(screenful(view, "kudu", console), end="")
    text = out.getvalue()
    return text if colours else re.sub(r"\x1b\[[0-9;]*m", "", text)


def test_the_verdict_and_the_words_of_both_bolts_come_before_the_figures() -> None:
    view, _ = evening(correction=CORRECTION, survey=SURVEY)
    text = shown(view)
    places = [
        text.index(words)
        for words in (
            "kudu", "NOT YET - turn on", "lower the axis 3.2 arcmin",
            "knob about 1/4 turn clockwise", "turn the mount head 7.5",
            "off by 7.09 arcmin +- 0.10",
        )
    ]  # fmt: skip
    assert places == sorted(places)
    assert "good enough is 1.00" in text


def test_the_nut_stands_on_the_side_that_has_to_be_undone() -> None:
    view, _ = evening(correction=CORRECTION)
    rows = re.findall(r"\[[-|#]+\] .*", shown(view))
    assert len(rows) == 2
    assert rows[0].index("|") < rows[0].index("#")
    assert rows[0].rstrip().endswith("<< lower")
    assert rows[1].index("#") < rows[1].index("|")
    assert rows[1].rstrip().endswith(">> to the east")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 20), (32, 30), (200, 60), (110, 40)])
def test_nothing_is_wider_or_higher_than_the_window(width: int, height: int) -> None:
    view, _ = evening(correction=CORRECTION, survey=SURVEY)
    lines = shown(view, width, height).splitlines()
    assert max(map(len, lines)) <= width
    assert len(lines) <= height
    text = " ".join(shown(view, width, height).split())
    assert "lower the axis 3.2 arcmin" in text
    assert "toward the east" in text


def test_a_large_window_has_figures_to_be_read_from_afar() -> None:
    view, _ = evening(correction=CORRECTION)
    assert "█" not in shown(view)
    large = shown(view, 110, 40)
    # 3.2' and 7.5', five lines high.
    assert "  ██████      ██████  ██" in large
    view.take("correction", CORRECTION | {"altitude_error_arcmin": -0.3})
    assert "██  ██████  ██  ██" in shown(view, 110, 40)  # 18"


def test_every_cell_is_red_on_black_and_nothing_else() -> None:
    view, _ = evening(correction=CORRECTION, survey=SURVEY)
    codes = set(re.findall(r"\x1b\[([0-9;]*)m", shown(view, colours=True)))
    assert codes
    for code in codes - {"0"}:
        assert code.endswith("40"), code
        # red3, red1 and dark red of the 256 colours.
        assert re.fullmatch(r"(1;)?38;5;(160|196|88);40", code), code


def test_an_old_frame_is_called_old_and_later_no_figure_looks_live() -> None:
    view, clock = evening(correction=CORRECTION)
    assert "OLD" not in shown(view)
    clock.now_s += 8.0
    assert "OLD: frame 7, 8 s old" in shown(view)
    clock.now_s += 30.0
    text = shown(view)
    assert "lower the axis" not in text
    assert "no longer live" in text


def test_a_broker_or_a_service_that_is_gone_takes_the_live_figures_with_it() -> None:
    view, _ = evening(correction=CORRECTION, survey=SURVEY)
    view.lose("The connection to the MQTT broker broke")
    assert "connection to the MQTT broker broke" in shown(view)
    assert "lower the axis" not in shown(view)
    view.find()
    view.take("availability", "online")
    view.take("correction", CORRECTION)
    assert "lower the axis" in shown(view)
    view.take("availability", "offline")
    assert "the service is offline" in shown(view)
    assert "lower the axis" not in shown(view)


def test_what_blocks_is_told_with_its_remedy_and_an_event_as_long_as_it_is_news() -> None:
    view, clock = evening(
        state={"state": "blocked", "step": "", "reason": "no INDI server", "remedy": "Start it."},
        event={"level": "warning", "code": "moved", "text": "the tripod moved", "remedy": "Look."},
    )
    text = " ".join(shown(view).split())
    assert "BLOCKED" in text
    assert "no INDI server. Start it." in text
    assert "warning: the tripod moved. Look." in text
    clock.now_s += 121.0
    assert "tripod" not in shown(view)


def test_a_survey_shows_how_far_it_is() -> None:
    view, _ = evening(state={"state": "surveying", "step": "frame 2 of 3", "percent": 50.0})
    text = shown(view)
    assert "frame 2 of 3" in text
    assert "50 %" in text
    bar = re.search(r"\[(#+)(-+)\]", text)
    assert bar
    assert len(bar[1]) == len(bar[2])


AT = "2026-11-25T20:{:02d}:00Z"


def _measured(at_min: int, verdict: str, **more: Any) -> dict[str, Any]:
    return {"at": AT.format(at_min), "verdict": verdict} | more


def test_the_verdict_is_that_of_what_was_measured_last() -> None:
    """An adjustment that was good at the time says nothing of what a later survey found."""
    adjusted = CORRECTION | _measured(10, "good_enough", live=False)
    view, _ = evening(correction=adjusted, survey=SURVEY | _measured(40, "not_yet"))
    assert view.verdict == "not_yet"
    view, _ = evening(correction=adjusted, survey=SURVEY | _measured(5, "not_yet"))
    assert view.verdict == "good_enough"


def test_an_axis_that_the_watch_saw_move_is_no_good_one() -> None:
    alarm = {"noticed": AT.format(50), "size_arcmin": 6.0, "words": "the picture turned"}
    watch = {"at": AT.format(50), "watching": True, "alarms": [alarm]}
    view, _ = evening(survey=SURVEY | _measured(40, "good_enough"), watch=watch)
    assert view.verdict == "cannot_tell"
    assert any("AXIS MOVED" in line for line in view.lines())
    view, _ = evening(survey=SURVEY | _measured(55, "good_enough"), watch=watch)
    assert view.verdict == "good_enough"
    assert not any("AXIS MOVED" in line for line in view.lines())


def test_a_broker_that_forgot_a_service_keeps_nothing_of_it_alive_here() -> None:
    """The service died while the broker was away, and that one kept nothing over its restart."""
    view, _ = evening(survey=SURVEY)
    view.lose("the broker is away")
    view.find()
    assert not view.online
    assert "offline" in shown(view)
