"""Motors instead of hands, as real processes: indiserver, sky simulator, broker and service."""

import sys
from pathlib import Path

import pytest

from polewright.adapters.indi.connection import IndiConnection
from polewright.app.rehearsal import read_truth
from tests.system.commands import polewright, service
from tests.system.indi_servers import indi_server, needs_indiserver
from tests.system.mqtt_brokers import Mosquitto, listening
from tests.system.test_whole_loop import _until_ready

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]

SIMULATOR = Path(sys.executable).with_name("polewright-sky-simulator")

# Two degrees off; signs reversed, scales off by a tenth each way, 3 arcmin of play, a base that
# leans by 2 deg toward the north-east.
SKY = """
seed = {seed}
site_name = "{site}"
[mount]
axis_altitude_error_deg = -1.2
axis_azimuth_error_deg = {azimuth}
base_tilt_deg = 2.0
base_tilt_azimuth_deg = 40.0
[bolts]
azimuth_arcmin_per_turn = 60.0
altitude_arcmin_per_turn = 60.0
azimuth_backlash_turns = 0.05
altitude_backlash_turns = 0.05
motor_azimuth_sign = -1.0
motor_altitude_sign = -1.0
motor_azimuth_scale = 1.1
motor_altitude_scale = 0.9
{more}
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
[adjuster]
motors = true
[indi]
port = {indi}
[mqtt]
mode = "external"
port = {mqtt}
[page]
mode = "off"
[survey]
frames = 4
sweep_deg = 60.0
settle_s = 0.2
[tolerance]
arcsec = 20.0
"""


class Evening:
    """The processes of one evening and what they say."""

    def __init__(self, home, config, bench, listener):
        self.home, self.config, self.bench, self.listener = home, config, bench, listener

    async def says(self, *arguments):
        return await polewright(self.home, *arguments, "--json", "--config", str(self.config))

    async def true_arcsec(self):
        return (await read_truth(self.bench))["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"]


async def run_evening(tmp_path, monkeypatch, work, *, seed, site, azimuth, more=""):
    sky = tmp_path / "sky.toml"
    sky.write_text(SKY.format(seed=seed, site=site, azimuth=azimuth, more=more))
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
                await _until_ready(tmp_path, config)
                await work(Evening(tmp_path, config, bench, listener))
    finally:
        await broker.stop()


@pytest.mark.timeout(400)
@pytest.mark.parametrize(
    ("seed", "site", "azimuth"), [(31, "south", 1.9), (32, "north", -2.35)], ids=["south", "north"]
)
async def test_motors_alone_bring_the_axis_from_two_degrees_to_the_pole(
    tmp_path, monkeypatch, seed, site, azimuth
):
    """The adjuster is not named and shows what it is only once connected."""

    async def work(evening):
        assert 2.0 * 3600 - 300 < await evening.true_arcsec() < 2.0 * 3600 + 300
        measured = await evening.says("survey", "--clear")
        assert measured.code == 1, measured.err
        ended = await evening.says("adjust")
        true = await evening.true_arcsec()
        print(site, ended.out, true)
        assert ended.code == 0, ended.err
        assert ended.json["verdict"] == "good_enough"
        assert ended.json["motor_steps"] <= 8
        assert true < 10.0
        claimed = ended.json["total_error_arcmin"] * 60.0
        assert abs(claimed - true) < 4.0 * ended.json["total_error_sigma_arcmin"] * 60.0

    await run_evening(tmp_path, monkeypatch, work, seed=seed, site=site, azimuth=azimuth)
