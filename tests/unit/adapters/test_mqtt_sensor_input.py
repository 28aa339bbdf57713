"""What a small sensor may say over MQTT: its numbers, its pace, and when it is silent."""

import json
import math

import numpy as np
import pytest

from polewright.adapters.mqtt.sensor_input import (
    LARGEST_INPUT_BYTES,
    MOST_PER_S,
    SILENT_AFTER_S,
    MqttSensor,
    SensorInputPayload,
)
from polewright.core.axis.attitude_sensor import TOP_EDGE
from polewright.ports import SensorHold

GRAVITY = {"gravity_ms2": [0.0, 5.25, 8.28], "field_ut": [3.0, -12.0, 20.0]}
ROTATION = {"rotation": [1.0, 0.0, 0.0, 0.0], "compass_accuracy_deg": 8.0}


class Clock:
    """Time as the test says."""

    def __init__(self):
        self.now_s = 100.0

    def monotonic(self):
        return self.now_s


def sensor():
    clock = Clock()
    return MqttSensor(SensorHold.ALONG, TOP_EDGE, monotonic=clock.monotonic), clock


def send(to, clock, message, *, times=1, every_s=0.2, retained=False):
    for _ in range(times):
        to.take(json.dumps(message).encode(), retained=retained)
        clock.now_s += every_s


def test_gravity_and_field_become_a_reading_that_rests():
    to, clock = sensor()
    send(to, clock, GRAVITY, times=25)
    reading = to.reading
    assert reading is not None
    assert reading.orientation.still
    assert reading.hold is SensorHold.ALONG
    assert reading.orientation.altitude_rad(TOP_EDGE) == pytest.approx(math.atan2(5.25, 8.28))
    assert reading.orientation.field_device_nt == pytest.approx([3000.0, -12000.0, 20000.0])


def test_a_rotation_brings_its_own_accuracy():
    to, clock = sensor()
    send(to, clock, ROTATION, times=25)
    reading = to.reading
    assert reading is not None
    assert np.allclose(reading.orientation.magnetic_from_device, np.eye(3))
    assert reading.orientation.heading_sigma_rad == pytest.approx(math.radians(8.0))
    assert reading.orientation.field_device_nt is None


@pytest.mark.parametrize(
    "wrong",
    [
        {}, {"field_ut": [1.0, 2.0, 3.0]}, GRAVITY | ROTATION, {"gravity_ms2": [0.0, 0.0, 0.0]},
        {"gravity_ms2": [0.0, 0.0, 1e9]}, {"gravity_ms2": [0.0, 9.8]}, {"gravity_ms2": "up"},
        {"rotation": [0.0, 0.0, 0.0, 0.0]}, {"rotation": [1.0, 0.0, 0.0]},
        ROTATION | {"field_ut": [1.0, 2.0, 3.0]}, GRAVITY | {"colour": 1},
        GRAVITY | {"t_s": -1.0}, GRAVITY | {"compass_accuracy_deg": 200.0}, [], 1, "x", None,
    ],
    ids=str,
)  # fmt: skip
def test_what_no_sensor_can_mean_is_passed_over(wrong):
    to, clock = sensor()
    send(to, clock, wrong, times=10)
    assert to.reading is None
    assert to.refused == 10


@pytest.mark.parametrize("payload", [b"", b"{", b"\xff\xfe", b'{"gravity_ms2": [0, 0, NaN]}'])
def test_rubbish_ends_nothing(payload):
    to, _ = sensor()
    to.take(payload, retained=False)
    assert to.reading is None


def test_what_is_retained_or_too_long_is_passed_over():
    to, clock = sensor()
    send(to, clock, GRAVITY, times=10, retained=True)
    to.take(b" " * LARGEST_INPUT_BYTES + json.dumps(GRAVITY).encode(), retained=False)
    assert to.reading is None
    assert to.refused == 11


def test_a_flood_is_thinned_out():
    to, clock = sensor()
    send(to, clock, GRAVITY, times=5000, every_s=0.001)
    reading = to.reading
    assert reading is not None
    assert reading.orientation.events <= 5.0 * MOST_PER_S + 1
    assert reading.orientation.rate_hz <= MOST_PER_S + 1.0


def test_silence_ends_the_reading_and_a_clock_that_begins_anew_is_taken_up():
    to, clock = sensor()
    for number in range(20):
        send(to, clock, GRAVITY | {"t_s": 1000.0 + 0.2 * number})
    assert to.reading is not None
    clock.now_s += SILENT_AFTER_S + 1.0
    assert to.reading is None
    for number in range(20):
        send(to, clock, GRAVITY | {"t_s": 0.2 * number})
    assert to.reading is not None


def test_the_model_is_strict():
    with pytest.raises(ValueError, match="valid"):
        SensorInputPayload.model_validate_json('{"gravity_ms2": ["0", 0, 9.8]}')
