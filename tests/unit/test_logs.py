"""Logs are one line an event, readable in the dark, JSON for machines, no traceback for trouble."""

import io
import json
import logging
from collections.abc import Iterator

import pytest

from polewright import logs
from polewright.core.errors import LinkError


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def _undo() -> Iterator[None]:
    root = logging.getLogger()
    before, level = list(root.handlers), root.level
    yield
    root.handlers[:] = before
    root.setLevel(level)


LOG = logging.getLogger("polewright.adapters.mqtt.service")


def test_a_terminal_gets_text_in_red_and_a_pipe_gets_json(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    terminal, pipe = Terminal(), io.StringIO()
    logs.setup_logging(stream=terminal)
    LOG.warning("the broker %s is silent", "kopje")
    logs.setup_logging(stream=pipe)
    LOG.warning("the broker %s is silent", "kopje")
    shown = terminal.getvalue()
    assert shown.count("\n") == 1
    assert shown.startswith("\x1b[1;31m")
    assert " ! mqtt " in shown
    entry = json.loads(pipe.getvalue())
    assert entry["text"] == "the broker kopje is silent"
    assert entry["level"] == "warning"
    assert entry["at"].endswith("+00:00")


def test_no_color_switches_colours_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    terminal = Terminal()
    logs.setup_logging(stream=terminal)
    LOG.info("quiet")
    assert "\x1b" not in terminal.getvalue()


def test_the_cycle_marks_every_line_inside_it() -> None:
    stream = io.StringIO()
    logs.setup_logging(stream=stream, form="text")
    with logs.cycle("survey-7"):
        LOG.info("inside")
    LOG.info("outside")
    inside, outside = stream.getvalue().splitlines()
    assert "[survey-7] inside" in inside
    assert "[" not in outside


def test_an_expected_error_is_one_line_and_a_bug_has_its_traceback() -> None:
    for form in ("text", "json"):
        stream = io.StringIO()
        logs.setup_logging(stream=stream, form=form)  # type: ignore[arg-type]
        try:
            raise LinkError("No broker answers\nat all", remedy="Start it.")
        except LinkError:
            LOG.exception("not connected")
        assert stream.getvalue().count("\n") == 1
        assert "Traceback" not in stream.getvalue()
        assert "Start it." in stream.getvalue()
        try:
            raise KeyError("bug")
        except KeyError:
            LOG.exception("unforeseen")
        assert "Traceback" in stream.getvalue()


def test_setting_up_twice_does_not_write_twice() -> None:
    stream = io.StringIO()
    logs.setup_logging(stream=stream, form="text")
    logs.setup_logging(stream=stream, form="text")
    LOG.info("once")
    assert stream.getvalue().count("once") == 1


def test_extra_fields_travel_in_json() -> None:
    stream = io.StringIO()
    logs.setup_logging(stream=stream, form="json")
    LOG.info("frame", extra={"frame_age_s": 0.3})
    assert json.loads(stream.getvalue())["frame_age_s"] == 0.3
