"""The timer, its service and the gate script: systemd finds nothing wrong, and the gate holds."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from polewright.cli.parser import parser
from tests.docs.blocks import ROOT

FOLDER = ROOT / "configs" / "schedule"
GATE = FOLDER / "gate.sh"
ANALYZE = shutil.which("systemd-analyze")
SHELLCHECK = shutil.which("shellcheck")

needs_systemd = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")


@needs_systemd
def test_systemd_finds_nothing_wrong_in_the_units(tmp_path: Path) -> None:
    assert ANALYZE is not None
    program = tmp_path / "polewright-gate"
    shutil.copy(GATE, program)
    units = []
    for name in ("polewright-verify.service", "polewright-verify.timer"):
        text = (FOLDER / name).read_text("utf-8")
        text = text.replace("/usr/local/bin/polewright-gate", str(program))
        (tmp_path / name).write_text(text)
        units.append(str(tmp_path / name))
    # The service that it wants is installed beside it on a real machine.
    shutil.copy(ROOT / "configs" / "systemd" / "polewright.service", tmp_path)
    told = subprocess.run(
        [ANALYZE, "verify", "--man=no", *units],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    about_them = [line for line in told.stderr.splitlines() if "polewright-verify" in line]
    assert about_them == []


@needs_systemd
def test_the_timer_fires_every_evening_at_half_past_nine() -> None:
    assert ANALYZE is not None
    text = (FOLDER / "polewright-verify.timer").read_text("utf-8")
    (when,) = re.findall(r"^OnCalendar=(.*)$", text, re.MULTILINE)
    told = subprocess.run(
        [ANALYZE, "calendar", "--iterations=3", when],
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout  # fmt: skip
    times = re.findall(r"(?:Next elapse|Iteration #\d|Iter\. #\d): \w+ (\S+) (\S+)", told)
    assert len(times) == 3
    assert {clock for _, clock in times} == {"21:30:00"}
    assert len({day for day, _ in times}) == 3


def test_the_service_calls_what_exists_with_what_is_accepted() -> None:
    text = (FOLDER / "polewright-verify.service").read_text("utf-8")
    assert "ExecStart=/usr/local/bin/polewright-gate " in text
    options = parser().parse_args(["verify", "--quick", "--config", "/etc/polewright.toml"])
    assert options.depth == "quick"
    assert "--clear" not in GATE.read_text("utf-8")


def test_the_gate_is_a_plain_shell_script() -> None:
    assert subprocess.run(["sh", "-n", str(GATE)], check=False).returncode == 0
    dash = shutil.which("dash")
    if dash is not None:
        assert subprocess.run([dash, "-n", str(GATE)], check=False).returncode == 0
    if SHELLCHECK is not None:
        assert subprocess.run([SHELLCHECK, str(GATE)], check=False).returncode == 0


class Stage:
    """A folder with a polewright that answers as told, and a command that leaves a mark."""

    def __init__(self, folder: Path, *statuses: int) -> None:
        self.folder = folder
        answers = folder / "answers"
        answers.write_text("".join(f"{status}\n" for status in statuses))
        self.asked = folder / "asked"
        self.begun = folder / "begun"
        self._write(
            "polewright",
            f'echo "$*" >>"{self.asked}"\n'
            f'status=$(head -n 1 "{answers}"); sed -i 1d "{answers}"\nexit "$status"',
        )
        self._write("begin", f'printf "%s|" "$@" >>"{self.begun}"\nexit 42')

    def _write(self, name: str, body: str) -> None:
        file = self.folder / name
        file.write_text(f"#!/bin/sh\n{body}\n")
        file.chmod(0o755)

    def run(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["sh", str(GATE), *arguments], capture_output=True, text=True, timeout=20, check=False,
            env={"PATH": "/usr/bin:/bin", "POLEWRIGHT": str(self.folder / "polewright"),
                 "PAUSE": "0"} | environment,
        )  # fmt: skip

    def begin(self, **environment: str) -> subprocess.CompletedProcess[str]:
        return self.run(str(self.folder / "begin"), "kudu", "two words", **environment)


def test_good_enough_begins_it_and_hands_on_its_status(tmp_path: Path) -> None:
    stage = Stage(tmp_path, 0)
    assert stage.begin(CONFIG="/a b/polewright.toml").returncode == 42
    assert stage.begun.read_text() == "kudu|two words|"
    assert stage.asked.read_text() == "verify --quick --config /a b/polewright.toml\n"


@pytest.mark.parametrize(
    ("statuses", "ends", "looks"),
    [((1,), 1, 1), ((2,), 2, 1), ((130,), 2, 1), ((3, 3, 3), 3, 3), ((3, 1), 1, 2)],
)
def test_nothing_else_begins_it(
    tmp_path: Path, statuses: tuple[int, ...], ends: int, looks: int
) -> None:
    stage = Stage(tmp_path, *statuses)
    ended = stage.begin()
    assert ended.returncode == ends
    assert "not begun" in ended.stderr
    assert not stage.begun.exists()
    assert len(stage.asked.read_text().splitlines()) == looks


def test_a_cloud_that_passes_is_waited_for(tmp_path: Path) -> None:
    stage = Stage(tmp_path, 3, 0)
    assert stage.begin().returncode == 42
    assert stage.begun.exists()


def test_a_polewright_that_is_not_there_begins_nothing(tmp_path: Path) -> None:
    stage = Stage(tmp_path, 0)
    assert stage.begin(POLEWRIGHT=str(tmp_path / "nothing")).returncode == 2
    assert not stage.begun.exists()


def test_without_a_command_it_says_how_it_is_used(tmp_path: Path) -> None:
    ended = Stage(tmp_path, 0).run()
    assert ended.returncode == 2
    assert "usage" in ended.stderr
