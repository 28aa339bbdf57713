"""A service that is killed after turns were reported: the next one tells turns at once."""

import asyncio

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import BOLTS_DEVICE, connect_bolts
from tests.system.commands import polewright, service
from tests.system.indi_servers import indi_server, needs_indiserver
from tests.system.mqtt_brokers import Mosquitto
from tests.system.test_journal_restart import _until_corrected, killed_service
from tests.system.test_whole_loop import SETTINGS, SIMULATOR, SKY, _until_ready

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]

# Threads of the simulator, which knows them by other names; clockwise positive.
TRUE_ARCMIN_PER_TURN = {"altitude": -45.0, "azimuth": 60.0}
BOLTS = """
[bolts]
altitude_arcmin_per_turn = 45.0
altitude_clockwise = "lowers"
azimuth_arcmin_per_turn = 60.0
azimuth_clockwise = "east"
"""
TURNS = 0.3


@pytest.mark.timeout(240)
async def test_knobs_and_optics_outlive_a_kill(tmp_path, monkeypatch):
    sky = tmp_path / "sky.toml"
    sky.write_text(SKY.format(seed=31, site="south") + BOLTS)
    monkeypatch.setenv("POLEWRIGHT_SKY", str(sky))
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        async with indi_server(tmp_path, SIMULATOR) as server:
            config = tmp_path / "polewright.toml"
            config.write_text(SETTINGS.format(indi=server.port, mqtt=broker.port))
            with_config = ("--json", "--config", str(config))
            async with IndiConnection.open("127.0.0.1", server.port) as bench:
                async with killed_service(tmp_path, "--config", str(config)):
                    await connect_bolts(bench)
                    await _until_ready(tmp_path, config)
                    surveyed = await polewright(tmp_path, "survey", "--clear", *with_config)
                    assert surveyed.code == 1, surveyed.err
                    adjusting = asyncio.create_task(polewright(tmp_path, "adjust", *with_config))
                    await _until_corrected(tmp_path, with_config)
                    for bolt, name in (("azimuth", "AZ_TURNS"), ("altitude", "ALT_TURNS")):
                        for _ in range(2):
                            await _turn(bench, name)
                            learned = await polewright(
                                tmp_path, "turned", bolt, str(TURNS), *with_config
                            )
                            assert learned.code == 0, learned.err
                await adjusting

                told = (await polewright(tmp_path, "history", "learned", *with_config)).json
                gains = {knob["bolt"]: knob["arcmin_per_turn"] for knob in told["knobs"]}
                assert {knob["mount"] for knob in told["knobs"]} == {"Kudu"}
                for bolt, true in TRUE_ARCMIN_PER_TURN.items():
                    assert gains[bolt] == pytest.approx(true, rel=0.15)
                (train,) = told["trains"]
                assert train["camera"] == "Hoopoe"

                async with service(tmp_path, "--config", str(config)) as log:
                    await _until_ready(tmp_path, config)
                    again = asyncio.create_task(polewright(tmp_path, "adjust", *with_config))
                    await _until_corrected(tmp_path, with_config)
                    status = await polewright(tmp_path, "status", *with_config)
                    await polewright(tmp_path, "stop", *with_config)
                    assert (await again).json["stopped"] is True
                    correction = status.json["correction"]
                    for bolt, gain in gains.items():
                        left = -correction[f"{bolt}_error_arcmin"] / gain
                        # The thread's slack may be told on top, and corrections count the tilt.
                        assert correction[f"{bolt}_turns"] == pytest.approx(left, rel=0.3, abs=0.25)
                    assert "is dropped" not in log.read_text()
    finally:
        await broker.stop()


async def _turn(bench, name) -> None:
    """Turn one knob by hand, and let the hands rest."""
    both = {"AZ_TURNS": 0.0, "ALT_TURNS": 0.0}
    serial = bench.send_numbers(BOLTS_DEVICE, "HANDS", both | {name: TURNS})
    await bench.wait_for(
        BOLTS_DEVICE, "HANDS", lambda hands: not hands.busy, 30.0, since=serial, task="turn"
    )
    await asyncio.sleep(2.0)
