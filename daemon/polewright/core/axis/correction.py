"""Corrections: what the two bolts must undo, in signed angles and in words without signs.

Signs (docs/decisions): altitude error is axis minus target, positive too high; azimuth error is
axis minus target, wrapped to a half turn, what the azimuth bolt must undo.  A correction is the
opposite of the error.

One rule says which bolt to leave: where the error that is left of it and the margin of what is not
known are inside its room.  Both bolts are, exactly where the verdict is good enough; so neither the
words nor a drawing of the rooms can disagree with the verdict.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.bolts import BoltTurns
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    altaz_from_enu,
    angle_between,
    wrap_half_turn,
)
from polewright.core.geometry.rotations import Vector

# What was good enough stays so until the error and its margin exceed the tolerance by this much:
# a verdict at the edge must not flicker.  The error itself must stay inside all the same.
HELD_TOLERANCE_FACTOR = 1.12

# However far off the other bolt is, a bolt has this part of the tolerance for itself: two errors of
# this size at right angles make up the whole.
_OWN_PART = math.sqrt(0.5)

_LEAVE = "leave the "

# Amounts are told no finer than their sigma (arcmin): from here on in whole arcmin, in fives, in
# half degrees.
_WHOLE_FROM_ARCMIN = 1.0
_ROUND_FROM_ARCMIN = 6.0
_HALF_DEGREES_FROM_ARCMIN = 30.0

# Closeness falls from 100 at the tolerance to 0 at this error.
_FAR_RAD = math.radians(5.0)


class Verdict(StrEnum):
    """Whether the axis is good enough for tonight's plan."""

    GOOD_ENOUGH = "good_enough"
    NOT_YET = "not_yet"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltReach:
    """How one bolt stands against its place.

    ``to_go_arcmin``: how far it still has to turn the mount, positive raises the axis or increases
    its azimuth.  ``margin_arcmin``: two sigma of the whole error, as this bolt turns.
    ``room_arcmin``: what the tolerance leaves for this bolt, to either side, where the other one
    stands now.
    """

    to_go_arcmin: float
    margin_arcmin: float
    room_arcmin: float

    @property
    def within(self) -> bool:
        """True where even the worst case is inside its room: nothing is to be turned."""
        return abs(self.to_go_arcmin) + self.margin_arcmin <= self.room_arcmin


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """Errors of the axis against its target, and the words that undo them.

    All ``*_error_arcmin`` are axis minus target; ``azimuth_error_on_sky_arcmin`` is the azimuth
    error times the cosine of the target's altitude; ``total_error_arcmin`` is the great-circle
    distance.  ``closeness`` runs from 0 (far) to 100 (good enough).  The bolts' reaches are None in
    records of an earlier kind.
    """

    axis_altitude_deg: float
    axis_azimuth_deg: float
    altitude_error_arcmin: float
    altitude_error_sigma_arcmin: float
    azimuth_error_arcmin: float
    azimuth_error_sigma_arcmin: float
    azimuth_error_on_sky_arcmin: float
    total_error_arcmin: float
    total_error_sigma_arcmin: float
    altitude_words: str
    azimuth_words: str
    verdict: Verdict
    closeness: int
    tolerance_arcmin: float
    altitude_reach: BoltReach | None = None
    azimuth_reach: BoltReach | None = None


def correct(
    axis_enu: Vector,
    covariance_rad2: NDArray[np.float64],
    target_enu: Vector,
    *,
    tolerance_rad: float,
    trustworthy: bool = True,
    bolt_turns: BoltTurns | None = None,
    held: bool = False,
) -> Correction:
    """Return the correction that brings an axis to its target.

    Parameters
    ----------
    axis_enu, target_enu : ndarray of shape (3,)
        Unit vectors, East-North-Up.
    covariance_rad2 : ndarray of shape (2, 2)
        Of the axis: increasing azimuth on the sky, increasing altitude (rad^2).
    tolerance_rad : float
        Largest total error that is good enough (rad).
    trustworthy : bool
        False where the frames disagree: the verdict is then ``cannot_tell``.
    bolt_turns : BoltTurns, optional
        What the words tell the hands to do, where the bolts' true vectors are known: on a tilted
        base each bolt moves the axis both ways.  Left out: the errors, as on a level base.
    held : bool
        True where the last verdict was ``good_enough``.
    """
    axis_altitude, axis_azimuth = altaz_from_enu(axis_enu)
    target_altitude, target_azimuth = altaz_from_enu(target_enu)
    altitude_error = axis_altitude - target_altitude
    azimuth_error = wrap_half_turn(axis_azimuth - target_azimuth)
    total = angle_between(axis_enu, target_enu)
    azimuth_sigma_on_sky = math.sqrt(covariance_rad2[0, 0])
    altitude_sigma = math.sqrt(covariance_rad2[1, 1])
    azimuth_sigma = azimuth_sigma_on_sky / max(math.cos(axis_altitude), 1e-6)
    total_sigma = math.sqrt(float(np.linalg.eigvalsh(covariance_rad2)[-1]))
    turns = bolt_turns or BoltTurns(azimuth_rad=-azimuth_error, altitude_rad=-altitude_error)
    verdict = judge(total, total_sigma, tolerance_rad, trustworthy=trustworthy, held=held)
    altitude_reach, azimuth_reach = _reaches(
        turns,
        math.cos(target_altitude),
        total,
        # Where frames disagree, two sigma of them say nothing.
        margin_rad=2.0 * total_sigma if trustworthy else max(2.0 * total_sigma, tolerance_rad),
        tolerance_rad=tolerance_rad,
        good=verdict is Verdict.GOOD_ENOUGH,
    )
    return Correction(
        axis_altitude_deg=math.degrees(axis_altitude),
        axis_azimuth_deg=math.degrees(axis_azimuth),
        altitude_error_arcmin=altitude_error / ARCMIN_RAD,
        altitude_error_sigma_arcmin=altitude_sigma / ARCMIN_RAD,
        azimuth_error_arcmin=azimuth_error / ARCMIN_RAD,
        azimuth_error_sigma_arcmin=azimuth_sigma / ARCMIN_RAD,
        azimuth_error_on_sky_arcmin=azimuth_error * math.cos(target_altitude) / ARCMIN_RAD,
        total_error_arcmin=total / ARCMIN_RAD,
        total_error_sigma_arcmin=total_sigma / ARCMIN_RAD,
        altitude_words=altitude_words(
            -turns.altitude_rad, altitude_sigma, within=altitude_reach.within
        ),
        azimuth_words=azimuth_words(
            -turns.azimuth_rad, azimuth_sigma, target_azimuth, within=azimuth_reach.within
        ),
        verdict=verdict,
        closeness=closeness(total, tolerance_rad),
        tolerance_arcmin=tolerance_rad / ARCMIN_RAD,
        altitude_reach=altitude_reach,
        azimuth_reach=azimuth_reach,
    )


def _reaches(
    turns: BoltTurns,
    cos_altitude: float,
    total_rad: float,
    *,
    margin_rad: float,
    tolerance_rad: float,
    good: bool,
) -> tuple[BoltReach, BoltReach]:
    """Return how the altitude and the azimuth bolt stand.

    The room of one bolt is what the other one leaves of the tolerance: with ``m`` the margin and
    ``o`` the other's part of the error, ``sqrt((T - m)^2 - o^2) + m``, and never less than the
    part that both can have at once.  Both worst cases are then inside their rooms if and only if
    the whole error and its margin are inside the tolerance.
    """
    cos_altitude = max(cos_altitude, 1e-6)
    parts = (turns.altitude_rad, turns.azimuth_rad * cos_altitude)
    # On a tilted base the bolts do not quite move the axis at right angles: their turns are taken
    # as what the whole error is made of.
    size = math.hypot(*parts)
    scale = total_rad / size if size > 0.0 and total_rad > 0.0 else 1.0
    # A verdict that is held may stand a little outside.
    whole = max(tolerance_rad, total_rad + margin_rad) if good else tolerance_rad
    free = whole - margin_rad
    reaches = []
    for mine, other, on_sky in (
        (parts[0], parts[1], scale),
        (parts[1], parts[0], scale * cos_altitude),
    ):
        room = _OWN_PART * tolerance_rad
        left = free**2 - (other * scale) ** 2
        if free > 0.0 and left >= 0.0:
            room = max(room, math.sqrt(left) + margin_rad)
        if good:
            room = max(room, abs(mine * scale) + margin_rad)
        reaches.append((mine * scale / on_sky, margin_rad / on_sky, room / on_sky))
    altitude, azimuth = (
        BoltReach(
            to_go_arcmin=to_go / ARCMIN_RAD,
            margin_arcmin=margin / ARCMIN_RAD,
            # One part in 1e12 for rounding: the verdict was given before.
            room_arcmin=room / ARCMIN_RAD * (1.0 + 1e-12),
        )
        for to_go, margin, room in reaches
    )
    return altitude, azimuth


def judge(
    total_rad: float,
    sigma_rad: float,
    tolerance_rad: float,
    *,
    trustworthy: bool,
    held: bool = False,
) -> Verdict:
    """Return the verdict; never ``good_enough`` on doubtful data.

    ``good_enough`` needs the error and twice its sigma inside the tolerance; once reached
    (``held``) it stays while they are inside 1.12 times the tolerance and the error itself is
    inside the tolerance, so that it does not flicker at the edge.  ``cannot_tell``
    where the frames disagree, or where the measurement is too coarse ever to answer and the
    error is not plainly outside.
    """
    if not trustworthy or not (math.isfinite(total_rad) and math.isfinite(sigma_rad)):
        return Verdict.CANNOT_TELL
    margin = 2.0 * sigma_rad
    if total_rad + margin <= tolerance_rad:
        return Verdict.GOOD_ENOUGH
    if (
        held
        and total_rad <= tolerance_rad
        and (total_rad + margin <= HELD_TOLERANCE_FACTOR * tolerance_rad)
    ):
        return Verdict.GOOD_ENOUGH
    if margin >= tolerance_rad and total_rad - margin <= tolerance_rad:
        return Verdict.CANNOT_TELL
    return Verdict.NOT_YET


def closeness(total_rad: float, tolerance_rad: float) -> int:
    """Return 100 within the tolerance, falling with the logarithm of the error to 0 when far."""
    if not math.isfinite(total_rad):
        return 0
    if total_rad <= tolerance_rad:
        return 100
    span = math.log(max(_FAR_RAD, 2.0 * tolerance_rad) / tolerance_rad)
    return max(0, min(99, int(100.0 * (1.0 - math.log(total_rad / tolerance_rad) / span))))


def amount_words(angle_rad: float, sigma_rad: float = 0.0) -> str:
    """Return the size of an angle as a person says it, no finer than a sigma warrants."""
    arcmin = abs(angle_rad) / ARCMIN_RAD
    sigma_arcmin = sigma_rad / ARCMIN_RAD
    if arcmin >= 90.0:
        halves = sigma_arcmin >= _HALF_DEGREES_FROM_ARCMIN
        return f"{round(arcmin / 30.0) / 2.0 if halves else arcmin / 60.0:.1f} deg"
    if sigma_arcmin >= _ROUND_FROM_ARCMIN:
        return f"{max(5, 5 * round(arcmin / 5.0))} arcmin"
    if sigma_arcmin >= _WHOLE_FROM_ARCMIN and arcmin >= 1.0:
        return f"{arcmin:.0f} arcmin"
    if arcmin >= 1.0:
        return f"{arcmin:.1f} arcmin"
    return f"{abs(angle_rad) / ARCSEC_RAD:.0f} arcsec"


def altitude_words(altitude_error_rad: float, sigma_rad: float, *, within: bool = False) -> str:
    """Return what to do with the altitude bolt; ``within``: it stands inside its room."""
    if within or hardly_known(altitude_error_rad, sigma_rad):
        return _leave("altitude", within=within)
    verb = "lower" if altitude_error_rad > 0.0 else "raise"
    return f"{verb} the axis {amount_words(altitude_error_rad, sigma_rad)}"


def azimuth_words(
    azimuth_error_rad: float, sigma_rad: float, target_azimuth_rad: float, *, within: bool = False
) -> str:
    """Return what to do with the azimuth bolt; ``within``: it stands inside its room.

    Increasing azimuth is clockwise seen from above everywhere; it is toward the east only
    where the axis points north.
    """
    if within or hardly_known(azimuth_error_rad, sigma_rad):
        return _leave("azimuth", within=within)
    clockwise = azimuth_error_rad < 0.0
    toward_east = clockwise == (math.cos(target_azimuth_rad) > 0.0)
    side = "east" if toward_east else "west"
    sense = "clockwise" if clockwise else "anticlockwise"
    return (
        f"turn the mount head {amount_words(azimuth_error_rad, sigma_rad)} toward the {side} "
        f"({sense} seen from above)"
    )


def with_knob(words: str, knob_words: str) -> str:
    """Return the words for a bolt with the turn of its knob, where that is known.

    A knob's clockwise is not the mount head's: the head's is left out, so that a sentence has one
    sense of turning only, and says of what.
    """
    if not knob_words:
        return words
    return f"{words.partition(' (')[0]}; knob {knob_words} as you face it"


def says_leave(words: str) -> bool:
    """Return whether the words for a bolt say to turn nothing."""
    return words.startswith(_LEAVE)


def _leave(bolt: str, *, within: bool) -> str:
    if within:
        return f"{_LEAVE}{bolt} as it is"
    return f"{_LEAVE}{bolt} for now: it is not known well enough yet"


def hardly_known(error_rad: float, sigma_rad: float) -> bool:
    """Return whether an amount is not told from noise, so that nobody should turn by it."""
    return abs(error_rad) < max(sigma_rad, ARCSEC_RAD)
