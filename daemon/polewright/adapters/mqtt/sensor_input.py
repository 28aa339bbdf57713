"""Sensor input: what any small sensor on the axis says over MQTT; its numbers checked, bounded."""

import json
import logging
import time
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AwareDatetime, Field, ValidationError, model_validator

from polewright.adapters.mqtt.payloads import Body, Version
from polewright.adapters.mqtt.topics import SENSOR_INPUT
from polewright.core.axis.device_orientation import (
    AttitudeEvent,
    OrientationWindow,
    Pace,
)
from polewright.core.axis.field_events import (
    SENSOR_PACE,
    FieldEvent,
    RotationEvent,
    rotation_of_quaternion,
)
from polewright.core.geometry.rotations import Vector
from polewright.ports import SensorHold, SensorReading

log = logging.getLogger(__name__)

LARGEST_INPUT_BYTES = 1024
# More events a second than this say nothing new; what comes faster is passed over.
MOST_PER_S = 25.0
# A sensor that says nothing for so long does not stream any more (s).
SILENT_AFTER_S = 5.0
# What weighs less or more than this (m/s^2) is not at rest, or not in these units.
_WEIGHTS_MS2 = (1.0, 40.0)
_PER_MICROTESLA_NT = 1000.0

Acceleration = Annotated[float, Field(ge=-200, le=200)]
Microtesla = Annotated[float, Field(ge=-10000, le=10000)]
Part = Annotated[float, Field(ge=-2, le=2)]


class SensorInputPayload(Body):
    """What a sensor on the polar axis measures: gravity and field, or its rotation.

    Give ``gravity_ms2`` with ``field_ut`` (what bends a compass shows then), or ``rotation``.
    Axes: x to the right of a screen held upright, y to its top edge, z out of it; of a bare
    sensor, those printed on it.
    """

    v: Version = 1
    at: AwareDatetime | None = None
    gravity_ms2: Annotated[list[Acceleration], Field(min_length=3, max_length=3)] | None = None
    field_ut: Annotated[list[Microtesla], Field(min_length=3, max_length=3)] | None = None
    rotation: Annotated[list[Part], Field(min_length=4, max_length=4)] | None = None
    compass_accuracy_deg: Annotated[float, Field(ge=0, le=180)] | None = None
    t_s: Annotated[float, Field(ge=0, le=1e10)] | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> "SensorInputPayload":
        if (self.gravity_ms2 is None) == (self.rotation is None):
            raise ValueError("gravity_ms2 or rotation, not both")
        if self.rotation is not None and self.field_ut is not None:
            raise ValueError("field_ut belongs to gravity_ms2")
        if self.gravity_ms2 is not None:
            squared = sum(part * part for part in self.gravity_ms2)
            if not _WEIGHTS_MS2[0] ** 2 <= squared <= _WEIGHTS_MS2[1] ** 2:
                raise ValueError("no gravity in m/s^2")
        if self.rotation is not None:
            rotation_of_quaternion(*self.rotation)
        return self

    def event(self, at_s: float) -> AttitudeEvent:
        """Return it in the core's words."""
        if self.rotation is not None:
            return RotationEvent(
                at_s=at_s,
                magnetic_from_device=rotation_of_quaternion(*self.rotation),
                accuracy_deg=self.compass_accuracy_deg,
            )
        assert self.gravity_ms2 is not None
        weight_x, weight_y, weight_z = self.gravity_ms2
        x, y, z = self.field_ut or (0.0, 0.0, 0.0)
        scale = _PER_MICROTESLA_NT
        return FieldEvent(
            at_s=at_s,
            weight_ms2=(weight_x, weight_y, weight_z),
            field_nt=(x * scale, y * scale, z * scale) if self.field_ut else None,
            accuracy_deg=self.compass_accuracy_deg,
        )


class MqttSensor:
    """Implements :class:`polewright.ports.AttitudeSensor` for what comes in over MQTT.

    Parameters
    ----------
    hold : SensorHold
        How it is held.
    axis_sensor : ndarray of shape (3,)
        The polar axis in its frame.
    pace : Pace
        How good it is.
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(
        self,
        hold: SensorHold,
        axis_sensor: Vector,
        pace: Pace = SENSOR_PACE,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._hold = hold
        self._axis_sensor = axis_sensor
        self._monotonic = monotonic
        self._window = OrientationWindow(pace)
        self._received_s = float("-inf")
        self._next_s = float("-inf")
        self._by_own_clock = False
        self.refused = 0

    @property
    def name(self) -> str:
        """What it is."""
        return "mqtt"

    @property
    def reading(self) -> SensorReading | None:
        """The newest reading; None while nothing comes."""
        if self._monotonic() - self._received_s > SILENT_AFTER_S:
            return None
        orientation = self._window.reading()
        if orientation is None:
            return None
        return SensorReading(
            orientation=orientation,
            hold=self._hold,
            received_s=self._received_s,
            axis_sensor=self._axis_sensor,
        )

    def take(self, payload: bytes, *, retained: bool) -> None:
        """Take one message; what is retained, too long, too fast or not fit is passed over."""
        now_s = self._monotonic()
        if now_s < self._next_s:
            return
        self._next_s = now_s + 1.0 / MOST_PER_S
        if not payload:
            return
        if retained:
            self._refuse("it is retained: nobody knows how old it is")
            return
        if len(payload) > LARGEST_INPUT_BYTES:
            self._refuse(f"it is longer than {LARGEST_INPUT_BYTES} bytes")
            return
        try:
            told = SensorInputPayload.model_validate_json(payload)
        except ValidationError as why:
            self._refuse(_first(why))
            return
        if (told.t_s is not None) is not self._by_own_clock:
            self._by_own_clock = told.t_s is not None
            self._window.clear()  # another clock: another stream
        at_s = now_s if told.t_s is None else told.t_s
        if not self._window.add(told.event(at_s)):
            if now_s - self._received_s > SILENT_AFTER_S:
                self._window.clear()  # its clock began anew
            return
        self._received_s = now_s

    def _refuse(self, why: str) -> None:
        self.refused += 1
        level = logging.WARNING if self.refused == 1 else logging.DEBUG
        log.log(level, "A message at %s is not used: %s", SENSOR_INPUT, why)


def _first(why: ValidationError) -> str:
    problem: Any = why.errors(include_url=False)[0]
    where = ".".join(str(part) for part in problem["loc"]) or "it"
    return f"{where}: {problem['msg']} (got {json.dumps(problem['input'], default=str)[:60]})"
