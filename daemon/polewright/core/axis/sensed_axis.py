"""Sensed axis: from a sensor's reading to the axis, by compass or by a sight of the Sun.

Readings of hands at rest are averaged, so that figures rest too (:func:`settle`).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from polewright.core.axis.attitude_sensor import (
    Bracket,
    SensorAxis,
    field_misfit,
    magnetic_axis,
    oriented_axis,
    turned_axis,
)
from polewright.core.axis.device_orientation import OrientationReading
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import UP_ENU, altaz_from_enu, wrap_half_turn
from polewright.core.geometry.rotations import (
    Matrix,
    Vector,
    nearest_rotation,
    rotation_about,
    vector_from_rotation,
)
from polewright.core.sky.magnetic import MagneticField

SHADOW_SIGMA_RAD = math.radians(1.0)
"""How well a hand lays a sensor's side on the Sun by its shadow (common practice, no source)."""

# A side that points steeper than this, or a Sun as high, shows no azimuth by its shadow.
_STEEPEST_SIGHT_RAD = math.radians(70.0)
# A Sun lower than this throws no shadow that an eye can use.
_LOWEST_SUN_RAD = math.radians(2.0)
# What a compass of a magnetised thing in the hand says is no compass any more.
_WORST_COMPASS_RAD = math.radians(45.0)
# Readings of hands at rest that are averaged (two a second).
_MOST_AVERAGED = 60
# Hands moved where a change is this improbable (chi-square, 3 degrees of freedom: 1 in 6000) ...
_MOVED_CHI2 = 20.0
# ... beyond what a mean scatters, and never on less than this per component (one sigma).
_FLOOR_TILT_RAD = math.radians(0.02)
_FLOOR_HEADING_RAD = math.radians(0.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SunSight:
    """Once, a side of the sensor was laid on the Sun: what its compass was off by.

    Attributes
    ----------
    turn_rad : float
        True azimuth less the sensor's own (rad).
    sigma_rad : float
        Of that, at the attitude of the sight (rad).
    compass_sigma_rad : float
        Of the compass without the sight (rad).
    magnetic_from_device : ndarray of shape (3, 3)
        The attitude of the sight.
    """

    turn_rad: float
    sigma_rad: float
    compass_sigma_rad: float
    magnetic_from_device: Matrix

    def heading_sigma_rad(self, reading: OrientationReading) -> float:
        """Return how well the azimuth is known in another attitude (rad).

        A compass's error changes with its heading once (iron that is magnetised itself) or twice
        (iron that the field magnetises) around the circle: what was corrected at one heading has
        changed at another by twice its rms times the sine of half, or the whole, of the turn
        (semicircular and quadrantal deviation of compass adjusting; from memory).
        """
        turn = vector_from_rotation(reading.magnetic_from_device @ self.magnetic_from_device.T)
        angle = min(float(np.linalg.norm(turn)), 0.5 * math.pi)
        return math.hypot(
            self.sigma_rad,
            2.0 * self.compass_sigma_rad * math.sin(angle),
            reading.heading_scatter_rad,
        )


def sight_sun(
    reading: OrientationReading,
    side_device: Vector,
    sun_enu: Vector,
    *,
    sigma_rad: float = SHADOW_SIGMA_RAD,
) -> SunSight:
    """Return what a sensor's compass is off by, one of its sides being turned to the Sun.

    Parameters
    ----------
    reading : OrientationReading
        The sensor's, at rest.
    side_device : ndarray of shape (3,)
        The side, in the device's frame: the Sun's azimuth is its azimuth.
    sun_enu : ndarray of shape (3,)
        Where the Sun stands.

    Raises
    ------
    MeasurementError
        ``not_at_rest``, ``no_north``, or ``no_heading``: the Sun is too low or too high, or the
        side too steep.
    """
    if not reading.still:
        raise _not_at_rest()
    own_rad = reading.magnetic_azimuth_rad(side_device)
    if own_rad is None or reading.heading_sigma_rad is None:
        raise _no_north()
    sun_altitude, sun_azimuth = altaz_from_enu(sun_enu)
    steep = max(abs(reading.altitude_rad(side_device)), sun_altitude)
    if sun_altitude < _LOWEST_SUN_RAD or steep > _STEEPEST_SIGHT_RAD:
        what = (
            "the Sun is too low to throw a shadow"
            if sun_altitude < _LOWEST_SUN_RAD
            else "the side on the Sun, or the Sun itself, is too steep to show an azimuth"
        )
        raise MeasurementError(
            what,
            remedy="Hold the sensor flatter, or do it when the Sun stands otherwise; the compass "
            "alone is used until then.",
            code="no_heading",
        )
    tilted_rad = reading.tilt_sigma_rad * math.tan(steep)
    return SunSight(
        turn_rad=wrap_half_turn(sun_azimuth - own_rad),
        sigma_rad=math.hypot(sigma_rad, tilted_rad, reading.heading_scatter_rad),
        compass_sigma_rad=reading.heading_sigma_rad,
        magnetic_from_device=reading.magnetic_from_device,
    )


def sensed_axis(
    reading: OrientationReading,
    field: MagneticField,
    bracket: Bracket,
    sight: SunSight | None = None,
) -> SensorAxis:
    """Return the axis that a reading shows: by the sight of the Sun if there was one.

    Raises
    ------
    MeasurementError
        ``no_north``: the sensor tells no azimuth; ``no_heading``.
    """
    if reading.heading_sigma_rad is None:
        raise _no_north()
    if sight is not None:
        return oriented_axis(
            rotation_about(UP_ENU, -sight.turn_rad) @ reading.magnetic_from_device,
            bracket,
            tilt_sigma_rad=reading.tilt_sigma_rad,
            heading_sigma_rad=sight.heading_sigma_rad(reading),
        )
    if reading.heading_sigma_rad > _WORST_COMPASS_RAD:
        raise _no_north()
    if reading.field_device_nt is None:
        return turned_axis(
            reading.magnetic_from_device,
            field,
            bracket,
            tilt_sigma_rad=reading.tilt_sigma_rad,
            heading_sigma_rad=reading.heading_sigma_rad,
        )
    return magnetic_axis(
        reading.up_device,
        reading.field_device_nt,
        field,
        bracket,
        tilt_sigma_rad=reading.tilt_sigma_rad,
        # About the vertical an error of the field counts by its horizontal part.
        field_sigma_rad=reading.heading_sigma_rad * math.cos(field.dip_rad),
    )


def disturbance_words(reading: OrientationReading, field: MagneticField) -> str:
    """Return how a measured field differs from the Earth's, for a person."""
    if reading.field_device_nt is None:
        return ""
    part, dip = field_misfit(reading.up_device, reading.field_device_nt, field)
    strength = f"{abs(100.0 * part):.0f} % too {'strong' if part > 0.0 else 'weak'}"
    # Dip counts downward: in the south a field that is less steep has a dip that is too large.
    steeper = abs(field.dip_rad + dip) > abs(field.dip_rad)
    slope = f"{abs(math.degrees(dip)):.0f} deg too {'steep' if steeper else 'flat'}"
    return f"iron nearby bends the compass: the field is {strength} and {slope}"


def settle(
    before: OrientationReading | None, averaged: int, newest: OrientationReading
) -> tuple[OrientationReading, int]:
    """Return the mean of the readings since hands last moved the sensor, and their number.

    Parameters
    ----------
    before, averaged : OrientationReading or None, int
        As returned for the reading before; None and 0 at first.
    newest : OrientationReading
        The sensor's.
    """
    if before is None or averaged == 0 or not newest.still or _moved(before, averaged, newest):
        return newest, 1 if newest.still else 0
    count = min(averaged + 1, _MOST_AVERAGED)
    share = 1.0 / count
    attitude = nearest_rotation(
        before.magnetic_from_device * (1.0 - share) + newest.magnetic_from_device * share
    )
    field = newest.field_device_nt
    if field is not None and before.field_device_nt is not None:
        field = before.field_device_nt * (1.0 - share) + field * share
    return replace(newest, magnetic_from_device=attitude, field_device_nt=field), count


def _moved(before: OrientationReading, averaged: int, newest: OrientationReading) -> bool:
    if (before.heading_sigma_rad is None) is not (newest.heading_sigma_rad is None):
        return True
    turn = vector_from_rotation(newest.magnetic_from_device @ before.magnetic_from_device.T)
    wider = 1.0 + 1.0 / averaged
    tilt = math.hypot(_FLOOR_TILT_RAD, newest.tilt_scatter_rad) ** 2 * wider
    heading = math.hypot(_FLOOR_HEADING_RAD, newest.heading_scatter_rad) ** 2 * wider
    chi2 = float(turn[:2] @ turn[:2]) / tilt
    if newest.heading_sigma_rad is not None:
        chi2 += float(turn[2]) ** 2 / heading
    return chi2 > _MOVED_CHI2


def _not_at_rest() -> MeasurementError:
    return MeasurementError(
        "the sensor is moving",
        remedy="Lay it where it is to stay, take the hand off, and wait until it is still.",
        code="not_at_rest",
    )


def _no_north() -> MeasurementError:
    return MeasurementError(
        "the sensor does not know north: it tells how high the axis points, and no azimuth",
        remedy="Move it through a lying eight, away from iron, and lay it back; or set the azimuth "
        "by the Sun or a landmark.",
        code="no_north",
    )
