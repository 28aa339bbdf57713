"""polewright makes no network call of its own: only to what the settings name."""

import asyncio
import sys
from pathlib import Path

import pytest

from tests.system.indi_servers import free_port
from tests.system.watched_process import watched

pytestmark = pytest.mark.slow

PLACE = ("--at", "-32.4,22.7,1250", "--time", "2026-11-25T10:30Z")


async def test_the_watching_sees_and_refuses_what_goes_beyond_this_machine(tmp_path: Path) -> None:
    _, said, found = await watched(tmp_path, "--try")
    assert "beyond this machine" in said
    assert any("192.0.2.1" in note for note in found)
    assert not any("localhost" in note for note in found)


@pytest.mark.parametrize(
    "arguments",
    [
        ("sun", *PLACE),
        ("tolerance", "--focal-length", "400", "--pixel-size", "3.8", "--exposure", "120"),
        ("history", "list"),
        ("pole", *PLACE),
        ("plan", "find", "M 42"),
    ],
    ids=lambda arguments: arguments[0],
)
async def test_commands_for_one_evening_call_nobody(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    _, said, found = await watched(tmp_path, *arguments)
    assert found == [], said
    assert "Traceback" not in said


async def test_the_service_and_the_doctor_call_nobody_but_whom_the_settings_name(
    tmp_path: Path,
) -> None:
    config = tmp_path / "polewright.toml"
    config.write_text(
        f"[mqtt]\nport = {free_port()}\n[page]\nport = 0\n[metrics]\nport = 0\n"
        f"[indi]\nport = {free_port()}\n"
    )
    code, said, found = await watched(
        tmp_path, "run", "--json", "--config", str(config), until=b"No INDI server"
    )
    assert found == [], said
    assert code == 0, said
    assert "Metrics are at http://127.0.0.1:" in said
    _, said, found = await watched(tmp_path, "doctor", "--config", str(config))
    assert found == [], said
    assert "Traceback" not in said


async def test_the_simulator_s_astronomy_downloads_nothing(tmp_path: Path) -> None:
    """Astropy would fetch tables of the Earth's rotation, unless it is told not to."""
    code, said, found = await watched(tmp_path, "--sky")
    assert found == [], said
    assert "auto_download False" in said
    assert code == 0


async def test_the_daemon_has_its_own_table_of_the_earth_s_rotation() -> None:
    script = (
        "import sys, polewright.app.service, polewright.core.sky.instant\n"
        "sys.exit('astropy.utils.iers' in sys.modules)\n"
    )
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", script)
    assert await process.wait() == 0
