"""A sensor on the axis, end to end: over a real broker, a fake INDI device, and the simulator."""

import asyncio
import json
import math

import aiomqtt
import numpy as np
import pytest

from polewright.adapters.indi.attitude_sensor import IndiAttitudeSensor, SensorUse
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.discovery import Role, choose, list_devices
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.sensor_input import MqttSensor
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.app.rehearsal import connect_bolts, read_truth
from polewright.core.axis.attitude_sensor import TOP_EDGE
from polewright.ports import SensorHold
from tests.system.evening_processes import NO_PAGE, evening_processes
from tests.system.fake_indi_server import change, define, fake_server
from tests.system.indi_servers import needs_indiserver
from tests.system.mqtt_brokers import broker, running, settings_for, wait_until

__all__ = ["broker"]

TOLD = {"gravity_ms2": [0.0, 5.25, 8.28], "field_ut": [3.0, -12.0, 20.0]}
SENSOR = "Clamp"


async def no_commands(verb, arguments, reply):
    raise AssertionError(f"no command was sent, but {verb} came")


@pytest.mark.broker
async def test_readings_arrive_over_a_real_broker_and_a_retained_one_does_not_count(broker):
    settings = settings_for(broker.port)
    sensor = MqttSensor(SensorHold.ALONG, TOP_EDGE)
    publisher = MqttPublisher(MountTopics.of(settings))
    service = MqttService(
        settings, publisher, no_commands,
        sensor_input=lambda payload, retained: sensor.take(payload, retained=retained),
    )  # fmt: skip
    topic = "polewright/kudu/sensor/input"
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish(topic, json.dumps(TOLD), retain=True)
        async with running(service.run()):
            assert await service.wait_connected(10.0)
            await wait_until(lambda: sensor.refused == 1)
            assert sensor.reading is None
            for number in range(15):
                await client.publish(topic, json.dumps(TOLD | {"t_s": 5.0 + number / 5.0}))
                await asyncio.sleep(0.05)
            await wait_until(lambda: sensor.reading is not None)
            reading = sensor.reading
            await client.publish(topic, b"", retain=True)
    assert reading.orientation.events > 5
    assert reading.orientation.altitude_rad(TOP_EDGE) == pytest.approx(math.atan2(5.25, 8.28))


def sensor_definitions(connected):
    on, off = ("On", "Off") if connected else ("Off", "On")
    return (
        define("Switch", SENSOR, "CONNECTION", {"CONNECT": on, "DISCONNECT": off})
        + define("Text", SENSOR, "DRIVER_INFO", {"DRIVER_EXEC": "x", "DRIVER_INTERFACE": 1 << 15})
        + define("Number", SENSOR, "GRAVITY", {"X": 0, "Y": 0, "Z": 0})
        + define("Number", SENSOR, "MAGNETIC_FIELD", {"X": 0, "Y": 0, "Z": 0})
    )


def vector(name, values, state="Ok"):
    return change("Number", SENSOR, name, dict(zip("XYZ", values, strict=True)), state=state)


@pytest.mark.indi
async def test_an_indi_device_is_found_by_its_properties_and_followed():
    use = SensorUse(hold=SensorHold.ALONG, axis_sensor=TOP_EDGE)
    async with (
        fake_server(sensor_definitions(connected=True)) as server,
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        name = choose(await list_devices(connection), Role.SENSOR, None)
        assert name == SENSOR
        sensor = IndiAttitudeSensor(connection, name, use)
        await sensor.ensure_ready()
        async with sensor.listening():
            assert sensor.reading is None
            for _ in range(12):
                await server.send(vector("MAGNETIC_FIELD", (3.0, -12.0, 20.0)))
                await server.send(vector("GRAVITY", (0.0, 5.25, 8.28)))
                await asyncio.sleep(0.05)
            # What is wrong, and what is marked as such, is passed over.
            await server.send(vector("GRAVITY", (0.0, 0.0, 0.0)))
            await server.send(vector("GRAVITY", (9.8, 0.0, 0.0), state="Alert"))
            await wait_until(lambda: sensor.reading is not None)
            reading = sensor.reading
    assert reading.orientation.field_device_nt == pytest.approx([3000.0, -12000.0, 20000.0])
    assert reading.orientation.altitude_rad(TOP_EDGE) == pytest.approx(math.atan2(5.25, 8.28))


SKY = """
seed = 5
site_name = "south"
[mount]
axis_altitude_error_deg = 3.0
axis_azimuth_error_deg = -5.0
[clock]
start_utc = "2026-11-25T08:00:00+00:00"
[sensor]
hold = "along"
bracket_pitch_deg = 0.0
bracket_yaw_deg = 0.0
iron_x_ut = 0.0
iron_y_ut = 0.0
iron_z_ut = 0.0
gravity_noise_ms2 = 0.02
field_noise_ut = 0.3
rate_hz = 10.0
"""
SETTINGS = f"""
{NO_PAGE}
[sensor]
source = "indi"
device = "Kudu Sensor"
tilt_sigma_deg = 0.2
compass_sigma_deg = 1.0
"""


@pytest.mark.broker
@pytest.mark.indi
@pytest.mark.slow
@needs_indiserver
async def test_by_day_the_service_tells_what_the_simulators_sensor_says(tmp_path, monkeypatch):
    async with (
        evening_processes(tmp_path, monkeypatch, sky=SKY, more=SETTINGS) as evening,
        evening.service(),
    ):
        await evening.until_ready()
        adjusting = asyncio.create_task(evening.says("adjust", "--by", "sensor"))
        try:
            await evening.until_corrected()
            status = (await evening.says("status")).json
            await connect_bolts(evening.bench)
            truth = await read_truth(evening.bench)
        finally:
            await evening.says("stop")
            await adjusting
    told = status["correction"]
    assert told["method"] == "sensor"
    assert status["state"]["state"] == "adjusting"
    true_arcmin = truth["TRUE_TOTAL_ERROR_REFRACTED_ARCSEC"] / 60.0
    assert abs(told["total_error_arcmin"] - true_arcmin) < 3.0 * told["total_error_sigma_arcmin"]
    assert told["altitude_words"] == "lower the axis 3.0 deg"
    assert told["altitude_error_arcmin"] == pytest.approx(180.0, abs=5.0)
    assert np.sign(told["azimuth_error_arcmin"]) == -1.0
