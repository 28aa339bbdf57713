"""The whole loop as real processes: stock indiserver, sky simulator, mosquitto, service, hands."""

import asyncio
import sys
from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import connect_bolts, read_truth, turn_by_display
from polewright.settings.load import load_settings
from tests.system.commands import polewright, service
from tests.system.indi_servers import indi_server, needs_indiserver
from tests.system.mqtt_brokers import Mosquitto, listening

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]

SIMULATOR = Path(sys.executable).with_name("polewright-sky-simulator")

SKY = """
seed = {seed}
site_name = "{site}"
"""
SETTINGS = """
[site]
clock = "gps"
[mount]
slug = "kudu"
device = "Kudu"
[camera]
device = "Hoopoe"
exposure_s = 0.5
[indi]
port = {indi}
[mqtt]
mode = "external"
port = {mqtt}
[survey]
frames = 3
sweep_deg = 45.0
settle_s = 0.2
"""


@pytest.mark.timeout(180)
@pytest.mark.parametrize(("seed", "site"), [(21, "south"), (22, "north")])
async def test_hands_that_follow_the_display_bring_the_axis_to_the_pole(
    tmp_path, monkeypatch, seed, site
):
    """Survey and adjustment by commands, hands over the broker, truth from the simulator."""
    sky = tmp_path / "sky.toml"
    sky.write_text(SKY.format(seed=seed, site=site))
    monkeypatch.setenv("POLEWRIGHT_SKY", str(sky))
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        async with indi_server(tmp_path, SIMULATOR) as server:
            config = tmp_path / "polewright.toml"
            config.write_text(SETTINGS.format(indi=server.port, mqtt=broker.port))
            async with (
                listening(broker.port) as listener,
                IndiConnection.open("127.0.0.1", server.port) as bench,
                service(tmp_path, "--config", str(config)),
            ):
                await connect_bolts(bench)
                initial = await read_truth(bench)
                await _until_ready(tmp_path, config)
                refused = await polewright(tmp_path, "survey", "--json", "--config", str(config))
                assert refused.code == 3
                assert refused.json["error"]["code"] == "not_confirmed_clear"

                measured = await polewright(
                    tmp_path, "survey", "--clear", "--json", "--config", str(config)
                )
                assert measured.code == 1, measured.err
                claimed = measured.json["total_error_arcmin"] * 60.0
                true = initial["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]
                sigma = measured.json["total_error_sigma_arcmin"] * 60.0
                assert abs(claimed - true) < 4.0 * sigma

                adjusting = asyncio.create_task(
                    polewright(tmp_path, "adjust", "--json", "--config", str(config))
                )
                outcome = await turn_by_display(
                    load_settings(config), None, bench, lambda _step, _part: None
                )
                stopped = await polewright(tmp_path, "stop", "--json", "--config", str(config))
                assert stopped.json["stopped"] is True
                ended = await adjusting
                assert ended.code == 0, ended.err
                assert ended.json["verdict"] == "good_enough"

                final = await read_truth(bench)
                true = final["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]
                assert true < 15.0
                assert abs(outcome.total_arcmin * 60.0 - true) < 4.0 * outcome.sigma_arcmin * 60.0

                status = await polewright(tmp_path, "status", "--json", "--config", str(config))
                assert status.json["state"]["state"] == "idle"
                assert status.json["correction"]["live"] is False
            # What any display sees once the service has ended in order.
            assert listener.texts("availability")[-1] == "offline"
            assert listener.texts("correction/altitude_arcmin")[-1] == "none"
    finally:
        await broker.stop()


async def _until_ready(home: Path, config: Path) -> None:
    for _ in range(30):
        status = await polewright(home, "status", "--json", "--config", str(config))
        if status.code != 3 or (status.out and status.json.get("state")):
            state = status.json.get("state") or {}
            if state.get("state") == "idle" and state.get("step") == "ready":
                return
        await asyncio.sleep(0.5)
    pytest.fail(f"the service did not get ready: {status.out} {status.err}")
