"""Device orientation: what a phone's browser tells of its attitude, as a rotation with its sigma.

Angles and frames are those of the W3C's "Device Orientation and Motion": the device's x points to
the right of its screen held upright, y to its top edge, z out of the screen, however the screen's
picture is turned; the Earth's are east, north and up.  North is magnetic: that is what phones
give, whatever the text says.
"""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

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

# Long enough to see a hand tremble, short enough to wait for.
_WINDOW_S = 3.0
_SHORTEST_S = 1.5
_FEWEST = 8
_MOST = 128
# More time between two events than this is another stream.
_LONGEST_GAP_S = 1.0
# A phone on a clamp shows hundredths of a degree of tilt; its compass creeps.
_STILL_TILT_RAD = math.radians(0.15)
_STILL_HEADING_RAD = math.radians(1.0)
_GRAVITY_MS2 = 9.81
_STILL_WEIGHT = 0.03
# A compass speaks of the top edge: it says nothing where that points to the zenith.
_STEEPEST_TOP = math.cos(math.radians(10.0))


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
    """A phone's attitude, averaged over the last seconds.

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
        Worst of what the phone says of its compass.
    """

    magnetic_from_device: Matrix
    tilt_sigma_rad: float
    heading_sigma_rad: float | None
    still: bool
    events: int
    rate_hz: float
    accuracy_deg: float | None

    def __post_init__(self) -> None:
        """Freeze the array."""
        object.__setattr__(self, "magnetic_from_device", settled(self.magnetic_from_device))

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
    """The events of the last seconds, and what they say together; of bounded size."""

    def __init__(self) -> None:
        self._events: deque[OrientationEvent] = deque(maxlen=_MOST)

    def add(self, event: OrientationEvent) -> bool:
        """Take one event; False where it is not later than the last one, and is left out."""
        if self._events:
            gap_s = event.at_s - self._events[-1].at_s
            if gap_s <= 0.0:
                return False
            if gap_s > _LONGEST_GAP_S or event.knows_north != self._events[-1].knows_north:
                self._events.clear()
        self._events.append(event)
        while event.at_s - self._events[0].at_s > _WINDOW_S:
            self._events.popleft()
        return True

    def clear(self) -> None:
        """Forget everything: another stream begins."""
        self._events.clear()

    def reading(self) -> OrientationReading | None:
        """Return what the events say together; None before the first two."""
        if len(self._events) < 2:
            return None
        events = list(self._events)
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
        own_rad = COMPASS_SIGMA_RAD if accuracy_deg is None else math.radians(accuracy_deg)
        still = (
            lasted_s >= _SHORTEST_S
            and len(events) >= _FEWEST
            and tilt < _STILL_TILT_RAD
            and (not knows_north or heading < _STILL_HEADING_RAD)
            and all(map(_rests, events))
        )
        # Events that phones have smoothed are not independent: many are no better than one.
        return OrientationReading(
            magnetic_from_device=mean,
            tilt_sigma_rad=math.hypot(tilt, TILT_SIGMA_RAD),
            heading_sigma_rad=math.hypot(heading, own_rad) if knows_north else None,
            still=still,
            events=len(events),
            rate_hz=(len(events) - 1) / lasted_s,
            accuracy_deg=accuracy_deg,
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


def _rests(event: OrientationEvent) -> bool:
    """Return whether an accelerometer feels nothing but its weight; without one: yes."""
    if event.weight_ms2 is None:
        return True
    # Its sign is not looked at: browsers do not agree about it.
    return abs(math.hypot(*event.weight_ms2) / _GRAVITY_MS2 - 1.0) < _STILL_WEIGHT
