"""A phone whose page streams how it lies: one at a time, its numbers checked."""

import json
import time
from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from polewright.core.axis.device_orientation import (
    PHONE_PACE,
    OrientationEvent,
    OrientationWindow,
    Pace,
)
from polewright.ports import SensorHold, SensorReading
from polewright.session.sensor_desk import AXES

# A page sends four times a second, with five events each.
MOST_EVENTS = 32
# A phone that says nothing for so long is not streaming any more.
SILENT_AFTER_S = 3.0

Acceleration = Annotated[float, Field(ge=-200, le=200)]


class _Checked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class PhoneEvent(_Checked):
    """One event as the page sends it: names, units and bounds are the browsers' (W3C)."""

    t: Annotated[float, Field(ge=0, le=1e13)]
    alpha: Annotated[float, Field(ge=0, le=360)] | None = None
    beta: Annotated[float, Field(ge=-180, le=180)]
    gamma: Annotated[float, Field(ge=-90, le=90)]
    absolute: bool = False
    heading: Annotated[float, Field(ge=0, le=360)] | None = None
    accuracy: Annotated[float, Field(ge=0, le=180)] | None = None
    gravity: tuple[Acceleration, Acceleration, Acceleration] | None = None

    def event(self) -> OrientationEvent:
        """Return it in the core's words."""
        return OrientationEvent(
            at_s=self.t / 1000.0,
            alpha_deg=self.alpha,
            beta_deg=self.beta,
            gamma_deg=self.gamma,
            absolute=self.absolute,
            heading_deg=self.heading,
            accuracy_deg=self.accuracy,
            weight_ms2=self.gravity,
        )


class PhoneMessage(_Checked):
    """Some events at once; the first message of a stream says that it begins."""

    hold: Literal["square", "along"]
    begins: bool = False
    events: Annotated[list[PhoneEvent], Field(max_length=MOST_EVENTS)]

    @classmethod
    def read(cls, said: object) -> "PhoneMessage | None":
        """Return what a page said; None where it is not fit."""
        try:
            return cls.model_validate_json(json.dumps(said))
        except ValidationError:
            return None


class Phone:
    """Implements :class:`polewright.ports.AttitudeSensor` for the page that streams.

    Parameters
    ----------
    monotonic : callable
        Seconds that never jump.
    pace : Pace
        How good its sensors are.
    """

    def __init__(
        self, monotonic: Callable[[], float] = time.monotonic, pace: Pace = PHONE_PACE
    ) -> None:
        self._monotonic = monotonic
        self._owner: object | None = None
        self._hold = SensorHold.SQUARE
        self._window = OrientationWindow(pace)
        self._received_s = 0.0

    @property
    def name(self) -> str:
        """What it is."""
        return "phone"

    @property
    def reading(self) -> SensorReading | None:
        """The newest reading; None while no page streams."""
        silent_s = self._monotonic() - self._received_s
        if self._owner is None or silent_s > SILENT_AFTER_S:
            return None
        orientation = self._window.reading()
        if orientation is None:
            return None
        return SensorReading(
            orientation=orientation,
            hold=self._hold,
            received_s=self._received_s,
            axis_sensor=AXES[self._hold],
        )

    def take(self, owner: object, message: PhoneMessage) -> bool:
        """Take a page's message; False where the stream is another page's, or has ended.

        The page that began last is listened to: it is the one in the hand.
        """
        if message.begins:
            self._owner = owner
            self._window.clear()
        elif self._owner is not owner:
            return False
        if message.hold != self._hold:
            self._hold = SensorHold(message.hold)
            self._window.clear()
        for event in message.events:
            if self._window.add(event.event()):
                self._received_s = self._monotonic()
        return True

    def end(self, owner: object) -> None:
        """End a page's stream; nothing where it is not this page's."""
        if self._owner is owner:
            self._owner = None
            self._window.clear()
