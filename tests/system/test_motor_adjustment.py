"""Motors instead of hands, as real processes: indiserver, sky simulator, broker and service."""

import asyncio

import pytest

from tests.full_run import in_full
from tests.system.evening_processes import NO_PAGE, evening_processes
from tests.system.indi_servers import needs_indiserver

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]

# Six steps, a second survey and eight still frames after each of the last steps take a minute and
# a half; three times that where the machine has other work.
_LONGEST_S = 270.0

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
motor_rate_arcmin_s = {rate}
{more}
"""
SETTINGS = f"""
{NO_PAGE}
[adjuster]
motors = true
[survey]
frames = 4
sweep_deg = 60.0
settle_s = 0.2
[tolerance]
arcsec = 20.0
"""


async def run_evening(tmp_path, monkeypatch, work, *, seed, site, azimuth, rate=60.0, more=""):
    sky = SKY.format(seed=seed, site=site, azimuth=azimuth, rate=rate, more=more)
    async with (
        evening_processes(
            tmp_path, monkeypatch, sky=sky, more=SETTINGS, longest_s=_LONGEST_S
        ) as evening,
        evening.service(),
    ):
        await evening.until_ready()
        await work(evening)


@pytest.mark.timeout(400)
@pytest.mark.parametrize(
    ("seed", "site", "azimuth"),
    [
        pytest.param(31, "south", 1.9, id="south"),
        pytest.param(32, "north", -2.35, id="north", marks=in_full),
    ],
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
        assert ended.code == 0, ended.err
        assert ended.json["verdict"] == "good_enough"
        assert ended.json["motor_steps"] <= 8
        assert true < 10.0
        claimed = ended.json["total_error_arcmin"] * 60.0
        assert abs(claimed - true) < 4.0 * ended.json["total_error_sigma_arcmin"] * 60.0

    await run_evening(tmp_path, monkeypatch, work, seed=seed, site=site, azimuth=azimuth)


def _far_step(motors):
    return motors.busy and max(abs(step) for step in motors.numbers.values()) > 0.5


@pytest.mark.timeout(300)
@pytest.mark.parametrize("after", [pytest.param("repeats", marks=in_full), "resumes"])
async def test_a_stop_ends_the_motors_even_where_the_driver_goes_on(tmp_path, monkeypatch, after):
    """Stopped in the longest step; the axis then stands, whatever the driver had in mind."""

    async def work(evening):
        assert (await evening.says("survey", "--clear")).code == 1
        adjusting = asyncio.create_task(evening.says("adjust", "--motors"))
        await evening.bench.wait_for(
            "Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", _far_step, 120.0, task="begin a long step"
        )
        stopped = await evening.says("stop")
        assert stopped.json["stopped"] is True
        there = await evening.true_arcsec()
        assert there > 600.0
        await asyncio.sleep(3.0)
        assert await evening.true_arcsec() == pytest.approx(there, abs=0.5)
        assert (await adjusting).json["verdict"] != "good_enough"
        status = await evening.says("status")
        assert status.json["state"]["state"] == "idle"

    slow = {"rate": 15.0, "more": f'motor_after_abort = "{after}"'}
    await run_evening(tmp_path, monkeypatch, work, seed=33, site="south", azimuth=1.9, **slow)


@pytest.mark.timeout(200)
async def test_an_alert_in_the_middle_ends_it_and_nothing_is_claimed(tmp_path, monkeypatch):
    async def work(evening):
        assert (await evening.says("survey", "--clear")).code == 1
        ended = await evening.says("adjust", "--motors")
        assert ended.code == 3
        assert ended.json["error"]["code"] == "device_refused"
        assert "too hot" in ended.json["error"]["text"]
        status = await evening.says("status")
        assert status.json["state"]["state"] == "blocked"

    await run_evening(
        tmp_path, monkeypatch, work, seed=34, site="south", azimuth=1.9, more="motor_good_steps = 2"
    )
