"""Sensors in the service: the phone's page, MQTT and INDI, of which one counts."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from polewright.adapters.indi.attitude_sensor import SensorUse
from polewright.adapters.mqtt.sensor_input import MqttSensor
from polewright.core.axis.device_orientation import PHONE_PACE, Pace
from polewright.core.axis.field_events import SENSOR_PACE
from polewright.core.geometry.rotations import Vector
from polewright.ports import AttitudeSensor, Clock, SensorHold, SensorReading
from polewright.session.sensor_desk import ChosenSensor, SensorDesk, axis_held
from polewright.settings.sensing import SensorSettings


class PluggedSensor:
    """A sensor that comes and goes with its connection (implements ``AttitudeSensor``)."""

    def __init__(self) -> None:
        self._sensor: AttitudeSensor | None = None

    def use(self, sensor: AttitudeSensor | None) -> None:
        """Take another sensor, or none, from now on."""
        self._sensor = sensor

    @property
    def name(self) -> str:
        """What it is."""
        return "indi"

    @property
    def reading(self) -> SensorReading | None:
        """The newest reading; None while nothing is connected, or nothing comes."""
        return None if self._sensor is None else self._sensor.reading


class Sensors:
    """Everything that may tell how the axis lies.

    Parameters
    ----------
    settings : SensorSettings
        Which of them counts, and how they are held.
    """

    def __init__(self, settings: SensorSettings) -> None:
        self._settings = settings
        self.indi = PluggedSensor()
        self.mqtt: MqttSensor | None = None
        if settings.source in ("auto", "mqtt"):
            self.mqtt = MqttSensor(self._hold, self._axis, self._pace(SENSOR_PACE))

    @property
    def phone_pace(self) -> Pace:
        """How good a phone is."""
        return self._pace(PHONE_PACE)

    @property
    def mqtt_input(self) -> Callable[[bytes, bool], None] | None:
        """What takes messages from MQTT; None where they are not wanted."""
        sensor = self.mqtt
        if sensor is None:
            return None
        return lambda payload, retained: sensor.take(payload, retained=retained)

    def indi_use(self) -> SensorUse | None:
        """Return how an INDI device is used; None where none is wanted."""
        if self._settings.source not in ("auto", "indi"):
            return None
        return SensorUse(
            device=self._settings.device,
            search=self._settings.source == "indi" and self._settings.device is None,
            hold=self._hold,
            axis_sensor=self._axis,
            pace=self._pace(SENSOR_PACE),
        )

    def desk(self, phone: AttitudeSensor | None, clock: Clock) -> SensorDesk:
        """Return the desk of the sensor that counts."""
        by_source: dict[str, AttitudeSensor | None] = {
            "phone": phone, "mqtt": self.mqtt, "indi": self.indi,
        }  # fmt: skip
        wanted: Sequence[str] = (
            list(by_source) if self._settings.source == "auto" else [self._settings.source]
        )
        found = [sensor for name in wanted if (sensor := by_source[name]) is not None]
        return SensorDesk(ChosenSensor(found), clock, self._settings.bracket)

    @property
    def _hold(self) -> SensorHold:
        fixed = self._settings.axis is not None
        return SensorHold.FIXED if fixed else SensorHold(self._settings.hold)

    @property
    def _axis(self) -> Vector:
        return axis_held(self._hold, self._settings.axis)

    def _pace(self, usual: Pace) -> Pace:
        tilt, compass = self._settings.tilt_sigma_deg, self._settings.compass_sigma_deg
        return replace(
            usual,
            tilt_sigma_rad=usual.tilt_sigma_rad if tilt is None else math.radians(tilt),
            heading_sigma_rad=usual.heading_sigma_rad if compass is None else math.radians(compass),
        )
