"""What the program is called in words for people: what this person can type."""

import importlib
import json
import logging
import os
import subprocess
from argparse import _SubParsersAction
from pathlib import Path

import pytest

from polewright.cli.main import OBEYED_BY
from polewright.cli.output import Output
from polewright.cli.parser import parser
from polewright.core.errors import UsageError
from polewright.logs import NightFormatter
from polewright.program import COMMANDS, PROGRAM_VARIABLE, as_called

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def called_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PROGRAM_VARIABLE, "./run")


def test_every_command_of_the_command_line_is_known():
    (verbs,) = (one for one in parser()._actions if isinstance(one, _SubParsersAction))
    assert set(verbs.choices) <= set(COMMANDS)


@pytest.mark.usefixtures("called_run")
@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Start it with `polewright run`.", "Start it with `./run run`."),
        ("Say so: polewright survey --clear.", "Say so: ./run survey --clear."),
        ("polewright stop; polewright adjust", "./run stop; ./run adjust"),
        ("polewright solar-filter CAMERA --removed", "./run solar-filter CAMERA --removed"),
        ("polewright itself failed in survey", "polewright itself failed in survey"),
        ("no polewright service runs", "no polewright service runs"),
        ("~/.config/polewright/polewright.toml", "~/.config/polewright/polewright.toml"),
        ("the topic polewright/kudu/state", "the topic polewright/kudu/state"),
    ],
)
def test_commands_are_named_as_this_person_calls_them(text: str, shown: str):
    assert as_called(text) == shown


@pytest.mark.parametrize("name", [None, "polewright"])
def test_without_another_name_nothing_is_changed(monkeypatch: pytest.MonkeyPatch, name: str | None):
    monkeypatch.delenv(PROGRAM_VARIABLE, raising=False)
    if name is not None:
        monkeypatch.setenv(PROGRAM_VARIABLE, name)
    assert as_called("`polewright run`") == "`polewright run`"


@pytest.mark.usefixtures("called_run")
def test_errors_results_notes_and_logs_are_edges_and_json_is_not(
    capsys: pytest.CaptureFixture[str],
):
    failure = UsageError("nothing runs", remedy="Start `polewright run`.", code="x")
    Output(as_json=False).error(failure)
    Output(as_json=False).result({}, "next: polewright adjust")
    Output(as_json=False).note("see polewright watch")
    out, err = capsys.readouterr()
    assert out == "next: ./run adjust\n"
    assert err == "polewright: nothing runs. Start `./run run`.\nsee ./run watch\n"
    Output(as_json=True).error(failure)
    assert json.loads(capsys.readouterr().out)["error"]["remedy"] == "Start `polewright run`."
    record = logging.LogRecord("polewright.app", 30, "", 1, str(failure), (), None)
    assert NightFormatter(coloured=False).format(record).endswith("Start `./run run`.")


@pytest.mark.parametrize("called", ["./run", str(ROOT / "run")])
def test_the_script_run_names_itself_as_it_was_called(called: str, tmp_path: Path):
    """The script's own function, in the shell that runs it."""
    text = (ROOT / "run").read_text()
    begin = text.index("called_by_name() {")
    function = text[begin : text.index("\n}\n", begin) + 3]
    (tmp_path / "run").write_text(f'{function}called_by_name; printf %s "$POLEWRIGHT_PROGRAM"')
    environment = {name: value for name, value in os.environ.items() if name != PROGRAM_VARIABLE}

    def says(*command: str) -> str:
        return subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
        ).stdout

    assert says("sh", "-c", f". {tmp_path}/run", called) == called
    assert says("sh", "run") == "sh run"


def test_every_command_of_the_parser_is_obeyed_by_a_function_of_its_own() -> None:
    [commands] = [a for a in parser()._actions if isinstance(a, _SubParsersAction)]
    assert set(commands.choices) == set(OBEYED_BY)
    for module, function in (where.split(":") for where in OBEYED_BY.values()):
        assert callable(getattr(importlib.import_module(f"polewright.cli.{module}"), function))
