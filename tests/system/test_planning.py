"""The plan over MQTT against a real service and its broker: set, shown, kept over a restart."""

import asyncio
from pathlib import Path

import pytest

from tests.system.indi_servers import free_port
from tests.system.warm_processes import polewright, service

pytestmark = [pytest.mark.broker, pytest.mark.slow]

START_S = 30.0


def settings_file(home: Path) -> None:
    ports = {name: free_port() for name in ("mqtt", "page", "indi")}
    (home / "polewright.toml").write_text(
        "[site]\nlatitude_deg = -32.4\nlongitude_deg = 22.7\nelevation_m = 1250.0\n"
        f'[mount]\nslug = "kudu"\n[mqtt]\nport = {ports["mqtt"]}\n'
        f"[page]\nport = {ports['page']}\n[indi]\nport = {ports['indi']}\n"
        "[plan]\nfocal_length_mm = 400.0\npixel_size_um = 3.76\nexposure_s = 300.0\n"
        'optics = [{name = "wide", focal_length_mm = 50.0, pixel_size_um = 3.75}]\n'
    )


async def shown(home: Path) -> dict:
    """The plan as ``polewright plan`` shows it, once the service is there."""
    async with asyncio.timeout(START_S):
        while True:
            ended = await polewright(home, "plan", "--json")
            if ended.code == 0 and ended.json["plan"]:
                return ended.json["plan"]
            await asyncio.sleep(0.5)


async def test_a_plan_is_set_told_kept_over_a_restart_and_cleared(tmp_path: Path):
    settings_file(tmp_path)
    async with service(tmp_path):
        plan = await shown(tmp_path)
        assert plan["source"] == "settings"
        # 89 arcsec for 300 s at 400 mm: the worked table of the docs.
        assert plan["tolerance_arcmin"] == pytest.approx(89 / 60, abs=0.01)

        refused = await polewright(tmp_path, "plan", "set", "siruis")
        assert refused.code == 2
        assert "near it: Sirius" in refused.err

        told = await polewright(
            tmp_path, "plan", "set", "NGC 2070", "--optics", "wide", "--exposure", "60", "--night"
        )
        assert told.code == 0
        assert "Tarantula" in told.out or "NGC 2070" in told.out
        assert "verify the axis at" in told.out
        plan = await shown(tmp_path)
        assert plan["source"] == "command"
        assert plan["trains"][0]["name"] == "wide"
        assert "plan: NGC 2070" in (await polewright(tmp_path, "status")).out

    async with service(tmp_path):
        assert await shown(tmp_path) == plan
        cleared = await polewright(tmp_path, "plan", "clear", "--json")
        assert cleared.json["plan"]["source"] == "settings"
        assert (await shown(tmp_path))["trains"][0]["focal_length_mm"] == 400.0


async def test_names_are_looked_up_without_any_service(tmp_path: Path):
    found = await polewright(tmp_path, "plan", "find", "M 31", "13:26:47 -47:28:46", "--json")
    assert found.code == 0
    first, second = found.json["targets"]
    assert first["declination_deg"] == pytest.approx(41.27, abs=0.01)
    assert second["right_ascension_deg"] == pytest.approx(201.69583, abs=1e-4)
    nothing = await polewright(tmp_path, "plan", "show", "M 31")
    assert nothing.code == 2
    assert "plan set" in nothing.err
