"""Attitude sensor: what an INDI device on the polar axis says of gravity and the magnetic field."""

import asyncio
import logging
import math
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.snapshot import PropertySnapshot, PropertyState
from polewright.core.axis.device_orientation import OrientationWindow, Pace
from polewright.core.axis.field_events import SENSOR_PACE, FieldEvent
from polewright.core.errors import LinkError
from polewright.core.geometry.rotations import Vector
from polewright.ports import SensorHold, SensorReading

_LOG = logging.getLogger(__name__)

GRAVITY, FIELD = "GRAVITY", "MAGNETIC_FIELD"
# A driver that tells nothing for so long has lost its sensor (s).
SILENT_AFTER_S = 5.0
# A field that is older than this does not belong to the gravity that came now (s).
_FIELD_HOLDS_S = 1.0
# What weighs less or more than this (m/s^2) is not at rest, or not in these units.
_WEIGHTS_MS2 = (1.0, 40.0)
_PER_MICROTESLA_NT = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SensorUse:
    """How a sensor behind INDI is to be used.

    Attributes
    ----------
    device : str or None
        Its name; None: the only one that shows itself.
    search : bool
        Connect devices of no known kind to see whether one is the sensor.
    hold : SensorHold
        How it is held.
    axis_sensor : ndarray of shape (3,)
        The polar axis in its frame.
    pace : Pace
        How good it is.
    """

    device: str | None = None
    search: bool = False
    hold: SensorHold
    axis_sensor: Vector
    pace: Pace = SENSOR_PACE


class IndiAttitudeSensor:
    """A sensor behind INDI; implements :class:`polewright.ports.AttitudeSensor`.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    name : str
        The device's name.
    use : SensorUse
        How it is held, and how good it is.
    """

    def __init__(self, connection: IndiConnection, name: str, use: SensorUse) -> None:
        self.connection = connection
        self._device = IndiDevice(connection, name, essential=GRAVITY, role="sensor")
        self._use = use
        self._window = OrientationWindow(use.pace)
        self._received_s = float("-inf")
        self._field: PropertySnapshot | None = None

    @property
    def name(self) -> str:
        """The device's name."""
        return self._device.name

    @property
    def reading(self) -> SensorReading | None:
        """The newest reading; None while nothing comes."""
        if time.monotonic() - self._received_s > SILENT_AFTER_S:
            return None
        orientation = self._window.reading()
        if orientation is None:
            return None
        return SensorReading(
            orientation=orientation,
            hold=self._use.hold,
            received_s=self._received_s,
            axis_sensor=self._use.axis_sensor,
        )

    async def ensure_ready(self) -> None:
        """Connect the sensor where it is not.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the device is missing or does not connect.
        """
        await self._device.ensure_ready()

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        """Take what the device tells while the context is open."""
        task = asyncio.create_task(self._listen())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def _listen(self) -> None:
        try:
            with self.connection.subscribe(self.name) as events:
                async for event in events:
                    if isinstance(event, PropertySnapshot):
                        self._take(event)
        except LinkError as lost:
            _LOG.debug("the sensor's connection is lost: %s", lost)

    def _take(self, told: PropertySnapshot) -> None:
        if told.name == FIELD:
            self._field = told if told.state is PropertyState.OK else None
        if told.name != GRAVITY or told.state is not PropertyState.OK:
            return
        weight = _vector(told)
        if weight is None or not _WEIGHTS_MS2[0] < math.hypot(*weight) < _WEIGHTS_MS2[1]:
            _LOG.debug("%s tells no gravity: %s", self.name, dict(told.numbers))
            return
        field, magnetic = self._field, None
        if field is not None and told.received_s - field.received_s < _FIELD_HOLDS_S:
            magnetic = _vector(field, _PER_MICROTESLA_NT)
        event = FieldEvent(at_s=told.received_s, weight_ms2=weight, field_nt=magnetic)
        if self._window.add(event):
            self._received_s = told.received_s


def _vector(told: PropertySnapshot, scale: float = 1.0) -> tuple[float, float, float] | None:
    """Return X, Y, Z of a property; None where one is missing or no number."""
    parts = [told.numbers.get(axis, math.nan) * scale for axis in "XYZ"]
    if not all(map(math.isfinite, parts)):
        return None
    x, y, z = parts
    return x, y, z
