"""Sensing: what a phone or sensor that is held to the axis says, told twice a second at most."""

import math
from collections.abc import Callable

from polewright.ports import AttitudeSensor, Clock, Publisher, SensorReading
from polewright.session.messages import Message

PERIOD_S = 0.5


class SensorTeller:
    """Publishes ``sensor``; run :meth:`run` in the application's task group.

    Parameters
    ----------
    publisher : Publisher
        Where it goes.
    clock : Clock
        Tells the age of a reading.
    sensor : AttitudeSensor
        Looked at twice a second.
    on_reading : callable, optional
        Given every reading.
    """

    def __init__(
        self,
        publisher: Publisher,
        clock: Clock,
        sensor: AttitudeSensor,
        on_reading: Callable[[SensorReading], None] = lambda _reading: None,
    ) -> None:
        self._publisher = publisher
        self._clock = clock
        self._sensor = sensor
        self._on_reading = on_reading
        self._told: SensorReading | None = None

    async def run(self) -> None:
        """Tell until cancelled."""
        while True:
            self.look()
            await self._clock.sleep(PERIOD_S)

    def look(self) -> None:
        """Tell what is new; once, that the sensor is silent."""
        reading = self._sensor.reading
        if reading is None:
            if self._told is not None:
                ended = {"source": self._sensor.name, "streaming": False}
                self._publisher.publish("sensor", ended, retain=False)
        elif self._told is None or reading.received_s != self._told.received_s:
            age_s = max(self._clock.monotonic() - reading.received_s, 0.0)
            message = sensor_message(self._sensor.name, reading, age_s)
            self._publisher.publish("sensor", message, retain=False)
            self._on_reading(reading)
        self._told = reading


def sensor_message(source: str, reading: SensorReading, age_s: float) -> Message:
    """Return the ``sensor`` payload of a reading."""
    said = reading.orientation
    axis = reading.axis_sensor
    altitude_rad = said.altitude_rad(axis)
    azimuth_rad = said.magnetic_azimuth_rad(axis)
    azimuth_sigma_deg = None
    if said.heading_sigma_rad is not None:
        # Tilting about the axis's own vertical plane turns a steep axis far about the vertical.
        tilted_rad = said.tilt_sigma_rad * math.tan(min(abs(altitude_rad), math.radians(89.0)))
        sigma_rad = math.hypot(said.heading_sigma_rad, tilted_rad)
        azimuth_sigma_deg = round(min(math.degrees(sigma_rad), 180.0), 3)
    return {
        "source": source,
        "streaming": True,
        "hold": reading.hold.value,
        "still": said.still,
        "sensor_altitude_deg": round(math.degrees(altitude_rad), 3),
        "sensor_altitude_sigma_deg": round(math.degrees(said.tilt_sigma_rad), 3),
        "sensor_magnetic_azimuth_deg": None
        if azimuth_rad is None
        else round(math.degrees(azimuth_rad), 3),
        "sensor_magnetic_azimuth_sigma_deg": azimuth_sigma_deg,
        "up": [round(float(part), 5) for part in said.up_device],
        "rate_hz": round(said.rate_hz, 2),
        "compass_accuracy_deg": said.accuracy_deg,
        "sensor_age_s": round(age_s, 3),
    }
