"""What a page may say of a phone's sensors, whose stream counts, and how it is told."""

import json
import math
from typing import Any

import pytest

from polewright.adapters.mqtt.payloads import check_payload
from polewright.adapters.web.phone import MOST_EVENTS, SILENT_AFTER_S, Phone, PhoneMessage
from polewright.ports import SensorHold
from polewright.session.sensing import SensorTeller

GOOD = {"t": 1000.0, "alpha": 156.5, "beta": 32.4, "gamma": 1.5, "absolute": True}


class Clock:
    """Time as the test says."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


class Told:
    """A publisher that keeps what it is told, and holds it against the contract."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []

    def publish(self, topic: str, payload: Any, *, retain: bool) -> None:
        assert topic == "sensor"
        assert not retain
        check_payload(topic, json.dumps({"v": 1, "at": "2026-11-25T14:00:00Z"} | payload))
        self.messages.append(payload)


def message(first: int = 0, count: int = 5, *, begins: bool = False, **more: Any) -> PhoneMessage:
    events = [GOOD | {"t": 1000.0 + 50.0 * number} for number in range(first, first + count)]
    found = PhoneMessage.read({"hold": "along", "begins": begins, "events": events} | more)
    assert found is not None
    return found


@pytest.mark.parametrize(
    "wrong",
    [
        {"beta": math.nan}, {"beta": math.inf}, {"beta": 181.0}, {"gamma": 91.0}, {"alpha": -1.0},
        {"alpha": 361.0}, {"beta": None}, {"beta": "32"}, {"beta": True}, {"absolute": 1},
        {"accuracy": -1.0}, {"heading": 1e3}, {"gravity": [0.0, 9.8]}, {"gravity": [0, 0, 1e9]},
        {"t": -1.0}, {"t": None}, {"colour": "red"},
    ],
    ids=str,
)  # fmt: skip
def test_numbers_that_no_phone_can_mean_are_refused(wrong: dict[str, Any]):
    good = {"hold": "along", "begins": True, "events": [GOOD]}
    assert PhoneMessage.read(good) is not None
    assert PhoneMessage.read(good | {"events": [GOOD | wrong]}) is None


@pytest.mark.parametrize(
    "said",
    [[], 1, "x", {}, {"hold": "sideways", "events": []}, {"hold": "along"},
     {"hold": "along", "events": [GOOD] * (MOST_EVENTS + 1)},
     {"hold": "along", "events": [], "begins": "yes"}],
)  # fmt: skip
def test_what_is_not_a_message_is_refused(said: object):
    assert PhoneMessage.read(said) is None


def test_nobody_is_heard_who_did_not_begin_and_the_last_to_begin_is():
    phone = Phone(Clock().monotonic)
    assert not phone.take("first", message())
    assert phone.reading is None
    assert phone.take("first", message(begins=True))
    assert phone.take("second", message(begins=True, hold="square"))
    assert not phone.take("first", message(5))
    reading = phone.reading
    assert reading is not None
    assert reading.hold is SensorHold.SQUARE
    phone.end("first")
    assert phone.reading is not None
    phone.end("second")
    assert phone.reading is None


def test_another_clamp_begins_the_mean_anew():
    phone = Phone(Clock().monotonic)
    phone.take("one", message(begins=True, count=20))
    phone.take("one", message(20, 1, hold="square"))
    assert phone.reading is None
    phone.take("one", message(21, 1, hold="square"))
    reading = phone.reading
    assert reading is not None
    assert reading.orientation.events == 2


def test_a_reading_is_told_once_with_its_age_and_silence_is_told_once():
    clock, told = Clock(), Told()
    phone = Phone(clock.monotonic)
    teller = SensorTeller(told, clock, phone)  # type: ignore[arg-type]
    teller.look()
    assert told.messages == []
    phone.take("one", message(begins=True, count=32))
    clock.now_s += 0.4
    teller.look()
    teller.look()
    (only,) = told.messages
    assert only["streaming"]
    assert only["still"]
    assert only["hold"] == "along"
    assert only["sensor_age_s"] == pytest.approx(0.4)
    assert only["sensor_altitude_deg"] == pytest.approx(32.4, abs=0.01)
    assert only["sensor_magnetic_azimuth_deg"] == pytest.approx(203.5, abs=0.01)
    # 4 deg of the compass, and 0.3 deg of tilt at 32.4 deg of altitude.
    assert only["sensor_magnetic_azimuth_sigma_deg"] == pytest.approx(4.0045, abs=0.001)
    clock.now_s += SILENT_AFTER_S
    teller.look()
    teller.look()
    assert told.messages[1:] == [{"source": "phone", "streaming": False}]
    # A clock of the phone that stands still does not keep an old reading young.
    phone.take("one", message(count=5))
    assert phone.reading is None
