"""Secrets are in no log, no message, no error, no finding and no metric."""

import json
from pathlib import Path

import pytest

from polewright.adapters.web.access import tokens_from
from tests.system.indi_servers import free_port
from tests.system.watched_process import watched

pytestmark = pytest.mark.slow

BY_FILE, BY_VARIABLE = "rooibos-by-file", "rooibos-by-variable"


def _settings(home: Path) -> tuple[Path, Path]:
    password, tokens, config = (
        home / name for name in ("password", "page-tokens.txt", "polewright.toml")
    )
    password.write_text(BY_FILE)
    password.chmod(0o600)
    config.write_text(
        f"[mqtt]\nmode = 'external'\nport = {free_port()}\nusername = 'kudu'\n"
        f"password_file = '{password}'\n"
        f"[page]\nport = 0\ntoken_file = '{tokens}'\n[indi]\nport = {free_port()}\n"
        "[metrics]\nport = 0\n[logging]\nlevel = 'debug'\n"
    )
    return config, tokens


async def test_a_service_that_cannot_reach_its_broker_tells_everything_but_secrets(
    tmp_path: Path,
) -> None:
    config, file = _settings(tmp_path)
    made = tokens_from(file, onlookers=True)
    assert made.look is not None
    for variables, password in (({}, BY_FILE), ({"POLEWRIGHT_MQTT_PASSWORD": BY_VARIABLE},
                                                BY_VARIABLE)):  # fmt: skip
        code, said, _ = await watched(
            tmp_path, "run", "--verbose", "--config", str(config), until=b"No INDI server",
            variables=variables,
        )  # fmt: skip
        assert code == 0, said
        assert "The page is at" in said  # it did speak of what is secret
        for secret in (made.command, made.look, password):
            assert secret not in said


async def test_the_doctor_looks_at_secrets_and_shows_none(tmp_path: Path) -> None:
    config, file = _settings(tmp_path)
    made = tokens_from(file, onlookers=True)
    file.chmod(0o644)
    code, said, _ = await watched(tmp_path, "doctor", "--json", "--config", str(config))
    told = json.loads(said[said.index("{") :].splitlines()[0])
    steps = {finding["step"]: finding["mark"] for finding in told["findings"]}
    assert code == 3
    assert steps["page tokens"] == "bad"
    assert steps["broker password"] == "good"
    for secret in (made.command, made.look, BY_FILE):
        assert str(secret) not in said
