"""The sensor's desk: the attitude sensor in use, and what is known of it this evening.

Which sensor it is, the Sun that it was laid on, and the readings at rest that a survey may be
compared with.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from polewright.core.axis.attitude_sensor import SCREEN, TOP_EDGE
from polewright.core.axis.sensed_axis import SunSight, sight_sun
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import altaz_from_enu, wrap_half_turn
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.magnetic import magnetic_field
from polewright.core.sky.place import Place
from polewright.core.sky.sun import sun_enu
from polewright.ports import AttitudeSensor, Clock, SensorHold, SensorReading
from polewright.session.messages import Message

AXES: Mapping[SensorHold, Vector] = {SensorHold.SQUARE: SCREEN, SensorHold.ALONG: TOP_EDGE}
"""The polar axis in a phone's frame, by how it is held."""

SIDES: Mapping[str, Vector] = {"top": TOP_EDGE, "screen": SCREEN}
"""Sides of a sensor that may be laid on the Sun."""

# A compass that was set by the Sun is believed so long (s): iron comes and goes, phones
# calibrate themselves anew.
SIGHT_HOLDS_S = 3600.0

SUN_CAUTION = (
    "never look at the Sun, and never through anything: watch the sensor's own shadow, from above"
)


class ChosenSensor:
    """The one of several sensors that counts (implements :class:`polewright.ports.AttitudeSensor`).

    Parameters
    ----------
    sensors : sequence of AttitudeSensor
        The one that streams counts; of several, the one that has streamed before.
    """

    def __init__(self, sensors: Sequence[AttitudeSensor]) -> None:
        self._sensors = list(sensors)
        self._chosen = self._sensors[0] if self._sensors else None

    @property
    def name(self) -> str:
        """What the sensor is that counts."""
        return self._chosen.name if self._chosen is not None else "none"

    @property
    def reading(self) -> SensorReading | None:
        """The newest reading of the sensor that counts; None while nothing comes from any."""
        if self._chosen is not None and (reading := self._chosen.reading) is not None:
            return reading
        for sensor in self._sensors:
            if (reading := sensor.reading) is not None:
                self._chosen = sensor
                return reading
        return None


class SensorDesk:
    """The sensor in use.

    Parameters
    ----------
    sensor : AttitudeSensor
        Whose readings count.
    clock : Clock
        Ages of readings; the Sun's instant.
    bracket : str, optional
        The name of the clamp; left out: the sensor's own.
    """

    def __init__(self, sensor: AttitudeSensor, clock: Clock, bracket: str | None = None) -> None:
        self.sensor = sensor
        self._clock = clock
        self._bracket = bracket
        self._sight: tuple[SunSight, str, float] | None = None
        self._rested: tuple[SensorReading, str] | None = None

    def note(self, reading: SensorReading) -> None:
        """Remember a reading at rest."""
        if reading.orientation.still:
            self._rested = reading, self.bracket_of(reading)

    def rested_since(self, began_s: float) -> tuple[SensorReading, str] | None:
        """Return the newest reading at rest and its bracket's name, if it came since then."""
        if self._rested is None or self._rested[0].received_s < began_s:
            return None
        return self._rested

    def bracket_of(self, reading: SensorReading) -> str:
        """Return the name under which a reading's bracket is known."""
        return f"{self._bracket or self.sensor.name}, {reading.hold.value}"

    @property
    def sight(self) -> SunSight | None:
        """What the Sun says of the compass, while that holds and the sensor is the same."""
        if self._sight is None:
            return None
        sight, source, taken_s = self._sight
        if source != self.sensor.name or self._clock.monotonic() - taken_s > SIGHT_HOLDS_S:
            self._sight = None
            return None
        return sight

    def lay_on_sun(self, place: Place, arguments: Mapping[str, Any]) -> Message:
        """Take a person's word that a side of the sensor is turned to the Sun now.

        Raises
        ------
        UsageError
            ``no_sensor``: nothing streams.
        MeasurementError
            ``not_at_rest``, ``no_north``, ``no_heading``.
        """
        reading = self.sensor.reading
        if reading is None:
            raise no_sensor()
        side = str(arguments.get("side") or "top")
        sun = sun_enu(place, self._clock.now())
        sight = sight_sun(reading.orientation, SIDES[side], sun)
        self._sight = sight, self.sensor.name, self._clock.monotonic()
        altitude, azimuth = altaz_from_enu(sun)
        declination_rad = magnetic_field(place, self._clock.now()).declination_rad
        off_rad = wrap_half_turn(sight.turn_rad - declination_rad)
        return {
            "source": self.sensor.name,
            "side": side,
            "sun_altitude_deg": round(math.degrees(altitude), 2),
            "sun_azimuth_deg": round(math.degrees(azimuth), 2),
            "compass_was_off_deg": round(math.degrees(off_rad), 1),
            "sigma_deg": round(math.degrees(sight.sigma_rad), 1),
            "caution": SUN_CAUTION,
        }


def no_sensor() -> UsageError:
    """Return the error for a sensor that is wanted and does not stream."""
    return UsageError(
        "no attitude sensor streams, so nothing tells where the axis points",
        remedy="Begin the stream on a phone's page (View, Phone as a sensor), or start the sensor "
        "that [sensor] names.",
        code="no_sensor",
    )


def axis_held(hold: SensorHold, axis: Sequence[float] | None) -> Vector:
    """Return the polar axis in the frame of a sensor that is held so."""
    if axis is None:
        return AXES[hold]
    direction = np.array(axis, dtype=float)
    return np.asarray(direction / np.linalg.norm(direction))
