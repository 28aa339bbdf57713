"""The page's self-made certificate: for whom it is, who reads its key, and a real browser on it."""

import json
import os
import shutil
import ssl
import stat
import subprocess
import sys
from pathlib import Path

import aiohttp
import pytest

from polewright.adapters.web.certificate import (
    VALID_DAYS,
    fingerprint,
    make_certificate,
    names_of_this_machine,
)
from polewright.cli.output import Output
from polewright.core.errors import UsageError
from tests.browser.stage import Stage, chromium, needs_chromium

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl makes it")

NAMES = ["kudu-pi", "localhost", "127.0.0.1", "2001:db8::7"]


@pytest.fixture
def made(tmp_path: Path) -> tuple[Path, Path]:
    certificate, key = tmp_path / "new" / "page.pem", tmp_path / "new" / "page.key"
    make_certificate(certificate, key, NAMES)
    return certificate, key


def openssl(*arguments: str) -> str:
    return subprocess.run(
        ["openssl", *arguments], check=True, capture_output=True, text=True, timeout=20
    ).stdout


def test_it_is_for_the_names_and_addresses_and_signs_nothing_else(made: tuple[Path, Path]):
    certificate, key = made
    said = openssl("x509", "-in", str(certificate), "-noout", "-text")
    alternatives = said.split("X509v3 Subject Alternative Name:")[1].splitlines()[1].strip()
    assert alternatives == (
        "DNS:kudu-pi, DNS:localhost, IP Address:127.0.0.1, IP Address:2001:DB8:0:0:0:0:0:7"
    )
    assert "CA:FALSE" in said
    assert "TLS Web Server Authentication" in said
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert sorted(file.name for file in key.parent.iterdir()) == ["page.key", "page.pem"]
    day_s = 86400
    for days, good in ((VALID_DAYS - 1, True), (VALID_DAYS + 1, False)):
        checked = subprocess.run(
            ["openssl", "x509", "-in", certificate, "-noout", "-checkend", str(days * day_s)],
            capture_output=True, timeout=20, check=False,
        )  # fmt: skip
        assert (checked.returncode == 0) is good


def test_the_fingerprint_is_the_one_that_others_show(made: tuple[Path, Path], tmp_path: Path):
    shown = openssl("x509", "-in", str(made[0]), "-noout", "-fingerprint", "-sha256")
    assert shown.strip().split("=")[1] == fingerprint(made[0])
    (tmp_path / "empty.pem").write_text("nothing")
    for file in (tmp_path / "empty.pem", tmp_path / "missing.pem"):
        with pytest.raises(UsageError, match="cannot be read"):
            fingerprint(file)


def test_what_is_there_is_never_overwritten(made: tuple[Path, Path]):
    before = [file.read_bytes() for file in made]
    with pytest.raises(UsageError, match="exists already"):
        make_certificate(*made, NAMES)
    assert [file.read_bytes() for file in made] == before


def test_without_openssl_nothing_is_made_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("PATH", str(tmp_path / "nowhere"))
    with pytest.raises(UsageError, match="openssl is missing"):
        make_certificate(tmp_path / "a.pem", tmp_path / "a.key", NAMES)
    assert list(tmp_path.iterdir()) == []


def test_this_machine_knows_its_names_and_no_address_that_is_everywhere():
    names = names_of_this_machine(["kudu-pi.example.org", "0.0.0.0"])
    assert names[0] == "kudu-pi.example.org"
    assert {"localhost", "127.0.0.1", "::1"} <= set(names)
    assert "0.0.0.0" not in names
    assert len(names) == len(set(names))


def test_every_fingerprint_is_printed_as_it_is(capsys: pytest.CaptureFixture[str]):
    every = ":".join(f"{one:02X}" for one in range(256))
    Output(as_json=False).result({}, every)
    assert capsys.readouterr().out == f"{every}\n"


def test_the_command_line_makes_it_says_what_to_do_and_shows_the_same_fingerprint(tmp_path: Path):
    settings = tmp_path / "settings.toml"
    settings.write_text('[mount]\nslug = "kudu"\n[page]\nhost = "0.0.0.0"\nnames = ["kudu-pi"]\n')
    environment = os.environ | {"XDG_STATE_HOME": str(tmp_path / "state")}

    def polewright(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "polewright", *arguments, "--config", str(settings)],
            capture_output=True, text=True, timeout=60, env=environment, check=False,
        )  # fmt: skip

    made = polewright("page", "--make-certificate")
    assert made.returncode == 0, made.stderr
    assert "made for: kudu-pi, " in made.stdout
    assert "Look at the certificate in its warning" in made.stdout
    lines = made.stdout.splitlines()
    # What it says to add is added, as it stands.
    added = [line for line in lines if line.startswith("tls_")]
    assert len(added) == 2
    settings.write_text(settings.read_text() + "\n".join(added) + "\n")
    shown = polewright("page", "--json")
    assert shown.returncode == 0, shown.stderr
    found = json.loads(shown.stdout)
    assert found["link"].startswith("https://kudu-pi:8472/#token=")
    assert f"fingerprint (SHA-256): {found['fingerprint']}" in lines
    again = polewright("page", "--make-certificate")
    assert again.returncode == 2
    assert "exists already" in again.stderr


async def test_tls_libraries_trust_it_when_told_to_and_not_otherwise(made: tuple[Path, Path]):
    files = {"tls_certificate_file": str(made[0]), "tls_key_file": str(made[1])}
    async with Stage(**files).running() as stage, aiohttp.ClientSession() as session:
        trusting = ssl.create_default_context(cafile=made[0])
        async with session.get(stage.url, ssl=trusting) as response:
            assert response.status == 200
        with pytest.raises(aiohttp.ClientConnectorCertificateError):
            await session.get(stage.url)


@needs_chromium
@pytest.mark.browser
async def test_a_browser_that_was_told_to_go_on_has_sensors_and_the_connection(
    made: tuple[Path, Path],
):
    """By a name that is not loopback, where http would be no secure context."""
    files = {"tls_certificate_file": str(made[0]), "tls_key_file": str(made[1])}
    async with (
        Stage(**files, names=["kudu-pi"]).running() as stage,
        chromium("--host-resolver-rules=MAP kudu-pi 127.0.0.1") as browser,
    ):
        context = await browser.new_context(ignore_https_errors=True)
        page = await context.new_page()
        await page.goto(f"https://kudu-pi:{stage.served.port}/")
        await page.wait_for_selector("#freshness:text-is('connected')", timeout=10_000)
        assert await page.evaluate("isSecureContext")
        assert await page.evaluate("typeof DeviceOrientationEvent") == "function"
        await context.close()
