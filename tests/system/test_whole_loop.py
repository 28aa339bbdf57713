"""The whole loop as real processes: stock indiserver, sky simulator, mosquitto, service, hands."""

import asyncio

import pytest

from polewright.app.rehearsal import connect_bolts, read_truth, turn_by_display
from polewright.settings.load import load_settings
from tests.full_run import in_full
from tests.system.evening_processes import evening_processes
from tests.system.indi_servers import needs_indiserver
from tests.system.mqtt_brokers import listening

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]


@pytest.mark.timeout(400)
@pytest.mark.parametrize(
    ("seed", "site"), [(21, "south"), pytest.param(22, "north", marks=in_full)]
)
async def test_hands_that_follow_the_display_bring_the_axis_to_the_pole(
    tmp_path, monkeypatch, seed, site
):
    """Survey and adjustment by commands, hands over the broker, truth from the simulator."""
    sky = f'seed = {seed}\nsite_name = "{site}"\n'
    async with evening_processes(tmp_path, monkeypatch, sky=sky) as evening:
        bench = evening.bench
        async with listening(evening.broker.port) as listener, evening.service():
            await connect_bolts(bench)
            initial = await read_truth(bench)
            await evening.until_ready()
            refused = await evening.says("survey")
            assert refused.code == 3
            assert refused.json["error"]["code"] == "not_confirmed_clear"

            measured = await evening.says("survey", "--clear")
            assert measured.code == 1, measured.err
            claimed = measured.json["total_error_arcmin"] * 60.0
            true = initial["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]
            sigma = measured.json["total_error_sigma_arcmin"] * 60.0
            assert abs(claimed - true) < 4.0 * sigma

            adjusting = asyncio.create_task(evening.says("adjust"))
            outcome = await turn_by_display(
                load_settings(evening.config), None, bench, lambda _step, _part: None
            )
            stopped = await evening.says("stop")
            assert stopped.json["stopped"] is True
            ended = await adjusting
            assert ended.code == 0, ended.err
            assert ended.json["verdict"] == "good_enough"

            final = await read_truth(bench)
            true = final["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]
            assert true < 15.0
            assert abs(outcome.total_arcmin * 60.0 - true) < 4.0 * outcome.sigma_arcmin * 60.0

            status = await evening.says("status")
            assert status.json["state"]["state"] == "idle"
            assert status.json["correction"]["live"] is False
        # What any display sees once the service has ended in order.
        assert listener.texts("availability")[-1] == "offline"
        assert listener.texts("correction/altitude_arcmin")[-1] == "none"
