"""The systemd unit: systemd's own judgement of its syntax and of its sandbox."""

import configparser
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.docs.blocks import ROOT

UNIT = ROOT / "configs" / "systemd" / "polewright.service"
ANALYZE = shutil.which("systemd-analyze")

# What docs/security.md states, as systemd 252 counts: 0 is shut tight, 10 is open.
MOST_EXPOSED = 1.2

needs_systemd = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    assert ANALYZE is not None
    return subprocess.run(
        [ANALYZE, *arguments], capture_output=True, text=True, timeout=60, check=False
    )


@needs_systemd
def test_systemd_finds_nothing_wrong_in_it(tmp_path: Path) -> None:
    program = tmp_path / "polewright"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    installed = tmp_path / UNIT.name
    text = UNIT.read_text("utf-8")
    assert "/opt/polewright/current/bin/polewright" in text
    installed.write_text(text.replace("/opt/polewright/current/bin/polewright", str(program)))
    told = analyze("verify", "--man=no", str(installed))
    assert told.returncode == 0, told.stderr
    about_it = [line for line in told.stderr.splitlines() if UNIT.name in line]
    assert about_it == []


@needs_systemd
def test_its_sandbox_is_as_tight_as_the_documentation_says() -> None:
    told = analyze("security", "--offline=true", "--no-pager", str(UNIT))
    score = re.search(r"Overall exposure level for polewright.service: ([0-9.]+)", told.stdout)
    assert score is not None, told.stderr
    assert float(score[1]) <= MOST_EXPOSED
    assert f"exposure level {MOST_EXPOSED}" in (ROOT / "docs/security.md").read_text("utf-8")


def test_it_watches_gives_up_on_wrong_settings_and_keeps_its_secrets() -> None:
    settings = configparser.ConfigParser(strict=False, interpolation=None, delimiters=("=",))
    settings.optionxform = str  # type: ignore[assignment,method-assign]
    settings.read_string(UNIT.read_text("utf-8"))
    service = settings["Service"]
    assert service["Type"] == "notify"
    assert service["NotifyAccess"] == "main"
    assert int(service["WatchdogSec"]) >= 30
    assert service["Restart"] == "on-failure"
    assert service["RestartPreventExitStatus"] == "2"  # cli/output.py: wrong settings
    assert service["StateDirectoryMode"] == service["RuntimeDirectoryMode"] == "0700"
    assert service["UMask"] == "0077"
    assert service["LimitCORE"] == "0"
    assert service["CapabilityBoundingSet"] == ""
    assert "StartLimitBurst" in settings["Unit"]


def test_its_folders_are_where_the_service_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    from polewright.adapters.solver.database import default_cache_directory
    from polewright.settings.section import state_directory

    text = UNIT.read_text("utf-8")
    for name, value in re.findall(r"(XDG_[A-Z]+_(?:HOME|DIR))=(\S+)", text):
        monkeypatch.setenv(name, value)
    assert state_directory() == Path("/var/lib/polewright")
    assert default_cache_directory() == Path("/var/cache/polewright")
    wrapper = (UNIT.parent.parent / "install" / "polewright").read_text("utf-8")
    for pair in ("XDG_STATE_HOME=/var/lib", "XDG_CACHE_HOME=/var/cache", "XDG_RUNTIME_DIR=/run"):
        assert pair in text
        assert pair in wrapper


@pytest.mark.parametrize("script", ["install.sh", "polewright"])
def test_the_scripts_are_sound_shell(script: str) -> None:
    path = ROOT / "configs" / "install" / script
    checked = subprocess.run(["sh", "-n", str(path)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    assert path.stat().st_mode & 0o111
    if shellcheck := shutil.which("shellcheck"):
        told = subprocess.run(
            [shellcheck, "--format=json", str(path)], capture_output=True, text=True, check=False
        )
        assert json.loads(told.stdout) == []


def test_the_installer_says_how_it_is_used_and_changes_nothing_for_an_unknown_word() -> None:
    told = subprocess.run(
        ["sh", str(ROOT / "configs/install/install.sh"), "--help"],
        capture_output=True, text=True, check=False, timeout=20,
    )  # fmt: skip
    assert told.returncode == 2
    for word in ("rollback", "uninstall --purge", "upgrades it"):
        assert word in told.stdout
