"""Field sightings: where a mount says that it points at a star field, and where it does."""

import math
from dataclasses import dataclass
from datetime import datetime

from polewright.core.axis.sightings import Sighting
from polewright.core.errors import DeviceError
from polewright.core.geometry.directions import wrap_half_turn_deg
from polewright.core.sky.mount_frame import hour_angle_deg
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.ports import MountStatus
from polewright.session.measuring import Measured
from polewright.session.sky_fields import is_beyond
from polewright.session.synchronising import SolvedPlace

# Shown coordinates of a mount that tracks stay within this (arcsec): encoder steps, guiding.
_STANDS_WITHIN_ARCSEC = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """By how much syncs have shifted what a mount shows: hour angle, declination axis (rad).

    The declination axis counts on over the pole, so its shift is the same on both sides.
    """

    hour_rad: float = 0.0
    raw_declination_rad: float = 0.0

    def undone(
        self, hour_rad: float, declination_rad: float, *, beyond: bool
    ) -> tuple[float, float]:
        """Return what the mount would have shown without."""
        raw = -self.raw_declination_rad if beyond else self.raw_declination_rad
        return hour_rad - self.hour_rad, declination_rad - raw

    def done(self, hour_rad: float, declination_rad: float, *, beyond: bool) -> tuple[float, float]:
        """Return what the mount shows now for what it would have shown without."""
        raw = -self.raw_declination_rad if beyond else self.raw_declination_rad
        return hour_rad + self.hour_rad, declination_rad + raw

    def after(self, before: MountStatus, now: MountStatus) -> "Shift":
        """Return the shift after one more sync, by what was shown before and after it."""
        place_before, place_now = shown_place(before), shown_place(now)
        # Right ascension grows to the east, the hour angle to the west.
        hour_deg = -wrap_half_turn_deg(place_now[0] - place_before[0])
        raw_deg = place_now[1] - place_before[1]
        if is_beyond(now.pier_side):
            raw_deg = -raw_deg
        return Shift(
            hour_rad=self.hour_rad + math.radians(hour_deg),
            raw_declination_rad=self.raw_declination_rad + math.radians(raw_deg),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSighting:
    """One field: the sighting, as the mount would show it without syncs, and where it points.

    ``shown_rad`` is what the mount did show at mid-exposure (hour angle, declination).
    """

    sighting: Sighting
    solved: SolvedPlace
    shown_rad: tuple[float, float]


def shown_place(status: MountStatus) -> tuple[float, float]:
    """Return right ascension and declination (deg) that a mount shows.

    Raises
    ------
    DeviceError
        ``position_unknown``.
    """
    if status.right_ascension_deg is None or status.declination_deg is None:
        raise DeviceError(
            "the mount does not say where it points, so nothing can be learned of its pointing",
            remedy="Reconnect the mount; a mount without position cannot be star-aligned.",
            code="position_unknown",
        )
    return status.right_ascension_deg, status.declination_deg


def sighting_of(
    measured: Measured,
    before: MountStatus,
    after: MountStatus,
    place: Place,
    now: datetime,
    *,
    shift: Shift,
    repeatability_rad: float,
    label: str,
) -> FieldSighting:
    """Return the sighting of a frame.

    Parameters
    ----------
    before, after : MountStatus
        What the mount said before and after the frames.
    now : datetime
        Of ``after`` (aware UTC).
    shift : Shift
        What syncs have done before.
    repeatability_rad : float
        Of the mount, each component (rad).

    Raises
    ------
    DeviceError
        ``mount_moved``: it did not stand, or follow the sky, while the frame was taken.
    """
    instant = measured.observed.instant
    (ra_before, dec_before), (ra, dec) = shown_place(before), shown_place(after)
    turned = wrap_half_turn_deg(ra - ra_before) if after.tracking is not False else 0.0
    if max(abs(turned), abs(dec - dec_before)) * 3600.0 > _STANDS_WITHIN_ARCSEC:
        raise DeviceError(
            "the mount moved while the frame was taken",
            remedy="Let nobody move it, by hand or by another program, then align again.",
            code="mount_moved",
        )
    # One that tracks keeps its right ascension, one that stands its hour angle.
    shown_at = instant if after.tracking is not False else now
    hour, declination = math.radians(hour_angle_deg(ra, shown_at, place)), math.radians(dec)
    beyond = is_beyond(after.pier_side)
    undone_hour, undone_declination = shift.undone(hour, declination, beyond=beyond)
    direction = measured.observed.enu_from_camera[:, 0]
    centre = measured.observed.covariance_camera_rad2
    star_rad = math.sqrt(0.5 * float(centre[1, 1] + centre[2, 2]))
    moment = ObservingMoment.at(place, instant)
    right_ascension, solved_declination = moment.of_date_from_icrs(measured.attitude.boresight_icrs)
    return FieldSighting(
        sighting=Sighting(
            hour_angle_rad=undone_hour,
            declination_rad=undone_declination,
            beyond_the_pole=beyond,
            direction_enu=direction,
            sigma_rad=math.hypot(star_rad, repeatability_rad),
            label=label,
        ),
        solved=SolvedPlace(
            right_ascension_deg=math.degrees(right_ascension),
            declination_deg=math.degrees(solved_declination),
            instant=instant,
        ),
        shown_rad=(hour, declination),
    )
