"""The check-up finds what is wrong along the chain and says what to do."""

from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import BOLTS_DEVICE
from tests.system.evening_processes import STARTED_S
from tests.system.indi_servers import free_port, indi_server, needs_indiserver
from tests.system.warm_processes import polewright, simulator_door

pytestmark = [pytest.mark.slow]


async def _doctor(home: Path, text: str) -> tuple[int, dict[str, dict[str, str]]]:
    config = home / "polewright.toml"
    config.write_text(text)
    ended = await polewright(home, "doctor", "--json", "--config", str(config))
    assert "Traceback" not in ended.err
    findings = ended.json["findings"]
    assert all(finding["remedy"] for finding in findings if finding["mark"] != "good")
    return ended.code, {finding["step"]: finding for finding in findings}


async def test_without_an_indi_server_the_chain_ends_there_with_a_remedy(tmp_path):
    code, steps = await _doctor(tmp_path, f"[indi]\nport = {free_port()}\n[mqtt]\nmode = 'off'\n")
    assert code == 3
    assert steps["INDI server"]["mark"] == "bad"
    assert steps["broker"]["mark"] == "note"
    assert "camera" not in steps
    assert steps["second solver"]["mark"] in {"good", "note"}


@pytest.mark.indi
@needs_indiserver
@pytest.mark.timeout(300)
async def test_a_whole_rig_is_good_and_a_wrong_hemisphere_is_not(tmp_path, monkeypatch):
    (tmp_path / "sky.toml").write_text("seed = 5\n")
    monkeypatch.setenv("POLEWRIGHT_SKY", str(tmp_path / "sky.toml"))
    rest = "[mount]\ndevice = 'Kudu'\n[mqtt]\nmode = 'off'\n[indi]\nport = {}\n"
    async with (
        indi_server(tmp_path, simulator_door(tmp_path)) as server,
        IndiConnection.open("127.0.0.1", server.port) as bench,
    ):
        # The server listens at once; its driver is asked for its devices when it has begun.
        await bench.wait_for(BOLTS_DEVICE, "CONNECTION", lambda _: True, STARTED_S)
        rest = rest.format(server.port)
        code, steps = await _doctor(tmp_path, f"[site]\nclock = 'gps'\n{rest}")
        assert code == 0, [one for one in steps.values() if one["mark"] == "bad"]
        for step in ("INDI server", "place", "mount", "camera"):
            assert steps[step]["mark"] == "good", steps[step]
        assert "2.2" in steps["camera"]["text"] or "2.3" in steps["camera"]["text"]
        assert "the GPS receiver" in steps["place"]["text"]
        wrong = "[site]\nclock = 'gps'\nlatitude_deg = {}\nlongitude_deg = {}\n" + rest
        code, steps = await _doctor(tmp_path, wrong.format(32.4, 22.7))
        assert code == 3
        assert steps["wrong hemisphere"]["mark"] == "bad"
        assert "motion is refused" in steps["wrong hemisphere"]["text"]
        code, steps = await _doctor(tmp_path, wrong.format(-32.4, -22.7))
        assert code == 3
        assert "east is positive" in steps["longitude sign"]["text"]


async def test_settings_that_ask_for_tonights_pole_without_a_night_are_told(tmp_path):
    code, steps = await _doctor(
        tmp_path,
        f"[survey]\ntarget_pole = 'tonight'\n[indi]\nport = {free_port()}\n[mqtt]\nmode = 'off'\n",
    )
    assert code == 3
    assert "[plan]" in steps["settings"]["remedy"]
