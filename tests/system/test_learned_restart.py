"""A service that is killed after turns were reported: the next one tells turns at once."""

import asyncio

import pytest

from polewright.app.rehearsal import BOLTS_DEVICE, connect_bolts
from tests.system.evening_processes import evening_processes
from tests.system.indi_servers import needs_indiserver

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]

# Threads of the simulator, which knows them by other names; clockwise positive.
TRUE_ARCMIN_PER_TURN = {"altitude": -45.0, "azimuth": 60.0}
SKY = """
seed = 31
site_name = "south"
[bolts]
altitude_arcmin_per_turn = 45.0
altitude_clockwise = "lowers"
azimuth_arcmin_per_turn = 60.0
azimuth_clockwise = "east"
"""
TURNS = 0.3


@pytest.mark.timeout(240)
async def test_knobs_and_optics_outlive_a_kill(tmp_path, monkeypatch):
    async with evening_processes(tmp_path, monkeypatch, sky=SKY) as evening:
        async with evening.killed_service():
            await connect_bolts(evening.bench)
            await evening.until_ready()
            surveyed = await evening.says("survey", "--clear")
            assert surveyed.code == 1, surveyed.err
            adjusting = asyncio.create_task(evening.says("adjust"))
            await evening.until_corrected()
            for bolt, name in (("azimuth", "AZ_TURNS"), ("altitude", "ALT_TURNS")):
                for _ in range(2):
                    await _turn(evening.bench, name)
                    learned = await evening.says("turned", bolt, str(TURNS))
                    assert learned.code == 0, learned.err
        await adjusting

        told = (await evening.says("history", "learned")).json
        gains = {knob["bolt"]: knob["arcmin_per_turn"] for knob in told["knobs"]}
        assert {knob["mount"] for knob in told["knobs"]} == {"Kudu"}
        for bolt, true in TRUE_ARCMIN_PER_TURN.items():
            assert gains[bolt] == pytest.approx(true, rel=0.15)
        (train,) = told["trains"]
        assert train["camera"] == "Hoopoe"

        async with evening.service() as log:
            await evening.until_ready()
            again = asyncio.create_task(evening.says("adjust"))
            await evening.until_corrected()
            status = await evening.says("status")
            await evening.says("stop")
            assert (await again).json["stopped"] is True
            correction = status.json["correction"]
            for bolt, gain in gains.items():
                left = -correction[f"{bolt}_error_arcmin"] / gain
                # The thread's slack may be told on top, and corrections count the tilt.
                assert correction[f"{bolt}_turns"] == pytest.approx(left, rel=0.3, abs=0.25)
            assert "is dropped" not in log.read_text()


async def _turn(bench, name) -> None:
    """Turn one knob by hand, and let the hands rest."""
    both = {"AZ_TURNS": 0.0, "ALT_TURNS": 0.0}
    serial = bench.send_numbers(BOLTS_DEVICE, "HANDS", both | {name: TURNS})
    await bench.wait_for(
        BOLTS_DEVICE, "HANDS", lambda hands: not hands.busy, 30.0, since=serial, task="turn"
    )
    await asyncio.sleep(2.0)
