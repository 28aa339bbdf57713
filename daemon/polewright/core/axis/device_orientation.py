"""Device orientation: what a phone's browser tells of its attitude, as a rotation with its sigma.

Angles and frames are those of the W3C's "Device Orientation and Motion": the device's x points to
the right of its screen held upright, y to its top edge, z out of the screen, however the screen's
picture is turned; the Earth's are east, north and up.  North is magnetic: that is what phones
give, whatever the text says.
"""

import math
from collections import deque
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.attitude_sensor import TILT_SIGMA_RAD
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import UP_ENU, unit
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    nearest_rotation,
    rotation_about,
    vector_from_rotation,
)

COMPASS_SIGMA_RAD = math.radians(4.0)
"""Heading of a phone that does not say how good it is, away from iron."""

_MOST = 128
_GRAVITY_MS2 = 9.81
# A compass speaks of the top edge: it says nothing where that points to the zenith.
_STEEPEST_TOP = math.cos(math.radians(10.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How a kind of sensor speaks, and how good it is.

    Attributes
    ----------
    window_s : float
        Events of so long are averaged (s): long enough to see a hand tremble, short enough to
        wait for.
    shortest_s, fewest : float, int
        Less is not enough to say that it is still.
    longest_gap_s : float
        More time between two events is another stream (s).
    still_tilt_rad, still_heading_rad : float
        Scatter of the events of a sensor that lies still (rms, rad): a phone on a clamp shows
        hundredths of a degree of tilt, and its compass creeps.
    still_weight : float
        Part by which the weight that it feels may differ from the usual.
    tilt_sigma_rad, heading_sigma_rad : float
        What the mean does not show of its error (one sigma, rad).
    independent : bool
        Whether events bring noise of their own, so that a mean of many is better than one.
    """

    window_s: float = 3.0
    shortest_s: float = 1.5
    fewest: int = 8
    longest_gap_s: float = 1.0
    still_tilt_rad: float = math.radians(0.15)
    still_heading_rad: float = math.radians(1.0)
    still_weight: float = 0.03
    tilt_sigma_rad: float = TILT_SIGMA_RAD
    heading_sigma_rad: float = COMPASS_SIGMA_RAD
    independent: bool = False


PHONE_PACE = Pace()
"""A phone's browser: many events a second, smoothed already."""


class AttitudeEvent(Protocol):
    """What a window takes of one event; its attributes are those of :class:`OrientationEvent`."""

    @property
    def at_s(self) -> float:
        """When, by the sensor's own clock (s)."""
        ...

    @property
    def accuracy_deg(self) -> float | None:
        """How wrong its heading may be, as it says itself."""
        ...

    @property
    def weight_ms2(self) -> tuple[float, float, float] | None:
        """What its accelerometer shows, where it has one."""
        ...

    @property
    def field_nt(self) -> tuple[float, float, float] | None:
        """The magnetic field in its frame, where it tells it (nT)."""
        ...

    @property
    def knows_north(self) -> bool:
        """Whether it tells a heading."""
        ...

    @property
    def magnetic_from_device(self) -> Matrix:
        """Rotation device -> magnetic east, north, up."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class OrientationEvent:
    """One event of a phone.

    Attributes
    ----------
    at_s : float
        When, by the phone's own clock that never jumps (s).
    alpha_deg : float or None
        About the device's z, first; None where the phone has nothing that turns.
    beta_deg, gamma_deg : float
        About its x, then its y.
    absolute : bool
        Whether alpha counts from north.
    heading_deg : float or None
        Of the top edge from magnetic north through east, where alpha does not count from there.
    accuracy_deg : float or None
        How wrong the heading may be, as the phone says.
    weight_ms2 : tuple of float, optional
        What its accelerometer shows.
    """

    at_s: float
    alpha_deg: float | None
    beta_deg: float
    gamma_deg: float
    absolute: bool = False
    heading_deg: float | None = None
    accuracy_deg: float | None = None
    weight_ms2: tuple[float, float, float] | None = None

    @property
    def field_nt(self) -> tuple[float, float, float] | None:
        """None: a browser keeps the field to itself."""
        return None

    @property
    def knows_north(self) -> bool:
        """Whether it tells a heading."""
        if self.absolute:
            return self.alpha_deg is not None
        if self.heading_deg is None:
            return False
        top = earth_from_device(0.0, self.beta_deg, self.gamma_deg)[:, 1]
        return abs(float(top[2])) < _STEEPEST_TOP

    @property
    def magnetic_from_device(self) -> Matrix:
        """Rotation device -> magnetic east, north, up; about up it means nothing without north."""
        if self.absolute or not self.knows_north or self.heading_deg is None:
            return earth_from_device(self.alpha_deg or 0.0, self.beta_deg, self.gamma_deg)
        level = earth_from_device(0.0, self.beta_deg, self.gamma_deg)
        azimuth_rad = math.atan2(float(level[0, 1]), float(level[1, 1]))
        turn = rotation_about(UP_ENU, azimuth_rad - math.radians(self.heading_deg))
        return np.asarray(turn @ level)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrientationReading:
    """A sensor's attitude, averaged over the last seconds.

    Attributes
    ----------
    magnetic_from_device : ndarray of shape (3, 3)
        Device -> magnetic east, north, up; for ``turned_axis``.
    tilt_sigma_rad : float
        Of up, per component: scatter and the sensor's own error.
    heading_sigma_rad : float or None
        Of north, as ``tilt_sigma_rad``; None: the phone does not know north.
    still : bool
        Whether it lay still for long enough.
    events : int
        Averaged.
    rate_hz : float
        Events in a second.
    accuracy_deg : float or None
        Worst of what the sensor says of its compass.
    tilt_scatter_rad, heading_scatter_rad : float
        Of the mean, its own errors left aside (one sigma, rad).
    field_device_nt : ndarray of shape (3,) or None
        The magnetic field in the device's frame (nT), where the sensor tells it.
    """

    magnetic_from_device: Matrix
    tilt_sigma_rad: float
    heading_sigma_rad: float | None
    still: bool
    events: int
    rate_hz: float
    accuracy_deg: float | None
    tilt_scatter_rad: float = 0.0
    heading_scatter_rad: float = 0.0
    field_device_nt: Vector | None = None

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "magnetic_from_device", settled(self.magnetic_from_device))
        if self.field_device_nt is not None:
            object.__setattr__(self, "field_device_nt", settled(self.field_device_nt))

    @property
    def up_device(self) -> Vector:
        """Where up is, in the device's frame."""
        return np.asarray(self.magnetic_from_device[2])

    def altitude_rad(self, axis_device: Vector) -> float:
        """Return how high a direction of the device points."""
        return math.asin(max(-1.0, min(1.0, float(self.up_device @ unit(axis_device)))))

    def magnetic_azimuth_rad(self, axis_device: Vector) -> float | None:
        """Return where a direction of the device points, from magnetic north through east."""
        if self.heading_sigma_rad is None:
            return None
        east, north, _ = self.magnetic_from_device @ unit(axis_device)
        return math.atan2(east, north) % (2.0 * math.pi)


class OrientationWindow:
    """The events of the last seconds, and what they say together; of bounded size.

    Parameters
    ----------
    pace : Pace
        How the sensor speaks.
    """

    def __init__(self, pace: Pace = PHONE_PACE) -> None:
        self._pace = pace
        self._events: deque[AttitudeEvent] = deque(maxlen=_MOST)
        self._said: OrientationReading | None = None
        self._said_all = True

    def add(self, event: AttitudeEvent) -> bool:
        """Take one event; False where it is not later than the last one, and is left out."""
        if self._events:
            gap_s = event.at_s - self._events[-1].at_s
            if gap_s <= 0.0:
                return False
            other = event.knows_north != self._events[-1].knows_north
            if gap_s > self._pace.longest_gap_s or other:
                self._events.clear()
        self._events.append(event)
        while event.at_s - self._events[0].at_s > self._pace.window_s:
            self._events.popleft()
        self._said_all = False
        return True

    def clear(self) -> None:
        """Forget everything: another stream begins."""
        self._events.clear()
        self._said_all = False

    def reading(self) -> OrientationReading | None:
        """Return what the events say together; None before the first two.

        Computed once for the same events, however often it is asked for.
        """
        if not self._said_all:
            self._said, self._said_all = self._together(), True
        return self._said

    def _together(self) -> OrientationReading | None:
        if len(self._events) < 2:
            return None
        pace, events = self._pace, list(self._events)
        rotations = np.array([event.magnetic_from_device for event in events])
        mean = nearest_rotation(rotations.mean(axis=0))
        # Rotations about the Earth's axes: x and y tilt, z is heading.
        strays = np.array([vector_from_rotation(one @ mean.T) for one in rotations])
        free = len(events) / (len(events) - 1)
        tilt, heading = (
            math.sqrt(free * float(np.mean(part**2))) for part in (strays[:, :2], strays[:, 2])
        )
        lasted_s = events[-1].at_s - events[0].at_s
        knows_north = events[-1].knows_north
        accuracies = [one.accuracy_deg for one in events if one.accuracy_deg is not None]
        accuracy_deg = max(accuracies, default=None)
        own_rad = pace.heading_sigma_rad if accuracy_deg is None else math.radians(accuracy_deg)
        still = (
            lasted_s >= pace.shortest_s
            and len(events) >= pace.fewest
            and tilt < pace.still_tilt_rad
            and (not knows_north or heading < pace.still_heading_rad)
            and all(_rests(event, pace.still_weight) for event in events)
        )
        if pace.independent:
            tilt *= _part_left(strays[:, :2])
            heading *= _part_left(strays[:, 2:])
        fields = [event.field_nt for event in events if event.field_nt is not None]
        # Events that phones have smoothed are not independent: many are no better than one.
        return OrientationReading(
            magnetic_from_device=mean,
            tilt_sigma_rad=math.hypot(tilt, pace.tilt_sigma_rad),
            heading_sigma_rad=math.hypot(heading, own_rad) if knows_north else None,
            still=still,
            events=len(events),
            rate_hz=(len(events) - 1) / lasted_s,
            accuracy_deg=accuracy_deg,
            tilt_scatter_rad=tilt,
            heading_scatter_rad=heading,
            field_device_nt=np.mean(fields, axis=0) if knows_north and fields else None,
        )


def earth_from_device(alpha_deg: float, beta_deg: float, gamma_deg: float) -> Matrix:
    """Return the rotation device -> Earth (east, north, up) of the W3C's angles.

    Z-X'-Y'': first about z by alpha, then about the new x by beta, then about the new y by gamma.
    """
    x, y, z = np.eye(3)
    return np.asarray(
        rotation_about(z, math.radians(alpha_deg))
        @ rotation_about(x, math.radians(beta_deg))
        @ rotation_about(y, math.radians(gamma_deg))
    )


def _part_left(strays: NDArray[np.float64]) -> float:
    """Return the part of the scatter that a mean keeps, by how alike neighbouring events are.

    For noise whose neighbours correlate by r: sqrt((1 + r) / (1 - r) / n), as for a first-order
    autoregressive series (common practice, no source); never better than white noise.
    """
    total = float(np.sum(strays**2))
    alike = float(np.sum(strays[1:] * strays[:-1])) / total if total > 0.0 else 0.0
    alike = max(0.0, min(0.98, alike))
    return min(1.0, math.sqrt((1.0 + alike) / (1.0 - alike) / len(strays)))


def _rests(event: AttitudeEvent, part: float) -> bool:
    """Return whether an accelerometer feels nothing but its weight; without one: yes."""
    if event.weight_ms2 is None:
        return True
    # Its sign is not looked at: browsers do not agree about it.
    return abs(math.hypot(*event.weight_ms2) / _GRAVITY_MS2 - 1.0) < part
