"""The check-up of the service itself: unit, journal, secrets, certificates, metrics."""

import shutil
import socket
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from polewright.adapters.metrics.endpoint import served_metrics
from polewright.adapters.web.access import tokens_from
from polewright.adapters.web.certificate import VALID_DAYS, make_certificate, valid_until
from polewright.app.findings import Finding, Mark
from polewright.app.upkeep import (
    certificate_finding,
    gate_finding,
    schedule_finding,
    unit_finding,
    unit_properties,
    upkeep,
)
from polewright.settings.load import parse_settings
from polewright.settings.model import Settings
from polewright.settings.scheduling import ScheduleSettings

RUNNING = {
    "LoadState": "loaded", "ActiveState": "active", "Result": "success", "NRestarts": "0",
    "WatchdogUSec": "1min", "User": "polewright",
}  # fmt: skip
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    (tmp_path / "polewright").mkdir()
    return tmp_path / "polewright"


async def found(text: str = "") -> dict[str, Finding]:
    settings: Settings = parse_settings(f"[mount]\nslug = 'kudu'\n{text}", name="a test")
    findings = {finding.step: finding async for finding in upkeep(settings)}
    for finding in findings.values():
        assert finding.mark is Mark.GOOD or finding.remedy
    return findings


@pytest.mark.parametrize(
    ("change", "mark", "words"),
    [
        ({}, Mark.GOOD, "started anew if it hangs"),
        ({"LoadState": "not-found"}, Mark.GOOD, "while somebody runs it"),
        ({"ActiveState": "inactive"}, Mark.NOTE, "installed, and inactive"),
        ({"ActiveState": "failed", "Result": "watchdog"}, Mark.BAD, "it hung"),
        ({"ActiveState": "failed", "Result": "exit-code"}, Mark.BAD, "with an error"),
        ({"WatchdogUSec": "0"}, Mark.NOTE, "nothing watches"),
        ({"NRestarts": "3"}, Mark.NOTE, "3 times"),
    ],
)
def test_the_unit_is_told_in_words(change: dict[str, str], mark: Mark, words: str) -> None:
    finding = unit_finding(RUNNING | change, "polewright")
    assert finding.mark is mark
    assert words in finding.text
    assert finding.remedy or mark is Mark.GOOD


def test_somebody_else_is_told_that_the_service_s_files_are_not_seen() -> None:
    assert "not seen by warden" in unit_finding(RUNNING, "warden").text
    assert unit_finding(RUNNING, "root").mark is Mark.GOOD


def test_without_a_service_manager_there_is_no_service() -> None:
    def missing(_command: list[str]) -> str:
        raise FileNotFoundError

    assert unit_properties(missing) == {}
    assert unit_properties(lambda _: "LoadState=loaded\nUser=polewright\n") == {
        "LoadState": "loaded", "User": "polewright",
    }  # fmt: skip
    assert unit_finding({}, "polewright").mark is Mark.GOOD


async def test_a_journal_that_is_damaged_is_told_with_the_way_back(home: Path) -> None:
    assert "none yet" in (await found())["journal"].text
    file = home / "kudu.sqlite"
    with sqlite3.connect(file) as connection:
        connection.execute("CREATE TABLE frames (pixels BLOB)")
        connection.executemany("INSERT INTO frames VALUES (?)", [(b"x" * 5000,)] * 40)
        connection.execute("CREATE INDEX by_pixels ON frames (pixels)")
    connection.close()
    good = (await found())["journal"]
    assert good.mark is Mark.GOOD
    assert "whole" in good.text
    data = bytearray(file.read_bytes())
    data[8192:16384] = b"\xff" * 8192
    file.write_bytes(data)
    bad = (await found())["journal"]
    assert bad.mark is Mark.BAD
    assert "--restore" in bad.remedy


async def test_tokens_that_others_may_read_are_told_and_never_shown(home: Path) -> None:
    file = home / "kudu-page-tokens.txt"
    tokens = tokens_from(file, onlookers=True)
    assert (await found())["page tokens"].mark is Mark.GOOD
    file.chmod(0o644)
    bad = (await found())["page tokens"]
    assert bad.mark is Mark.BAD
    assert "chmod 600" in bad.remedy
    assert tokens.command not in f"{bad}"


async def test_a_password_file_for_the_service_s_group_is_in_order(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text("rooibos")
    text = f"[mqtt]\nmode = 'external'\nusername = 'kudu'\npassword_file = '{file}'\n"
    for mode, mark in ((0o640, Mark.GOOD), (0o644, Mark.BAD), (0o660, Mark.BAD)):
        file.chmod(mode)
        finding = (await found(text))["broker password"]
        assert finding.mark is mark
        assert "rooibos" not in f"{finding}"


@needs_openssl
async def test_a_certificate_s_end_is_read_and_what_is_none_is_told(home: Path) -> None:
    certificate, key = home / "kudu-page-certificate.pem", home / "kudu-page-key.pem"
    make_certificate(certificate, key, ["kudu.local"])
    good = await found()
    assert good["page certificate"].mark is Mark.GOOD
    assert good["page key"].mark is Mark.GOOD
    until = valid_until(certificate)
    assert (until - datetime.now(UTC)).days in (VALID_DAYS - 1, VALID_DAYS)
    certificate.write_text("no certificate")
    assert (await found())["page certificate"].mark is Mark.NOTE


@pytest.mark.parametrize(
    ("left_days", "mark", "words"),
    [(31, Mark.GOOD, "until"), (10, Mark.NOTE, "ends in 10 days"), (-1, Mark.BAD, "ended on")],
)
def test_a_certificate_s_end_comes_with_what_to_do(left_days: int, mark: Mark, words: str) -> None:
    until = datetime(2027, 3, 1, tzinfo=UTC)
    now = until - timedelta(days=left_days)
    for step, remedy in (("page certificate", "--make-certificate"), ("broker certificate", "Ask")):
        finding = certificate_finding(step, Path("kudu.pem"), until, now)
        assert finding.mark is mark
        assert words in finding.text
        assert (remedy in finding.remedy) is (mark is not Mark.GOOD)


async def test_metrics_are_looked_at_only_where_they_are_wanted() -> None:
    assert "metrics" not in await found()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    finding = (await found(f"[metrics]\nport = {port}\n"))["metrics"]
    assert "will answer while the service runs" in finding.text
    settings = parse_settings("[metrics]\nport = 0\n", name="a test").metrics
    async with served_metrics(settings, lambda: "\n") as served:
        text = f"[metrics]\nport = {served}\n"
        assert (await found(text))["metrics"].text.endswith("answers")
        finding = (await found(f"{text}host = '0.0.0.0'\n"))["metrics"]
        assert finding.mark is Mark.NOTE
        assert "without a token" in finding.text


def test_a_gate_command_that_cannot_start_or_that_others_can_change_is_told() -> None:
    assert gate_finding([]) is None
    good = gate_finding(["/usr/bin/env", "true"])
    assert good is not None
    assert good.mark is Mark.GOOD
    missing = gate_finding(["/usr/bin/no-such-program"])
    assert missing is not None
    assert (missing.mark, missing.text.endswith("is no file")) == (Mark.BAD, True)


@pytest.mark.parametrize(
    ("mode", "words"), [(0o700, None), (0o600, "may not be run"), (0o722, "changed by others")]
)
def test_a_gate_command_s_rights_are_looked_at(
    tmp_path: Path, mode: int, words: str | None
) -> None:
    program = tmp_path / "begin-imaging"
    program.write_text("#!/bin/sh\n")
    program.chmod(mode)
    finding = gate_finding([str(program)])
    assert finding is not None
    assert finding.mark is (Mark.GOOD if words is None else Mark.BAD)
    assert words is None or words in finding.text
    assert finding.remedy or words is None


def test_a_schedule_is_told_with_whether_it_moves_and_needs_a_service() -> None:
    assert schedule_finding(ScheduleSettings(), running=True) is None
    wanted = ScheduleSettings(at=["21:30", "02:00"], after_dusk_min=20.0, may_move=True)
    finding = schedule_finding(wanted, running=True)
    assert finding is not None
    assert finding.mark is Mark.GOOD
    assert "at 21:30, 02:00 and 20 min after nautical dusk" in finding.text
    assert "it may move the mount" in finding.text
    finding = schedule_finding(wanted, running=False)
    assert finding is not None
    assert (finding.mark, "Only while the service runs" in finding.remedy) == (Mark.NOTE, True)
