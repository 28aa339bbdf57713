"""Stands: where a mount stood, how its axis was found there and how it was left.

A stand begins when somebody says that the tripod's feet stand on marks, or when an axis is seen at
another site; it lasts until the next one.  What is read here are moments in the order in which
they happened: placements, axes that were seen, and bolts that may be turned from then on.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from polewright.core.geometry.directions import wrap_half_turn

# Later than this after the feet were put on the marks, an axis is not what they gave: children,
# wind, somebody who lifted the tripod and said nothing (a judgement, no source).
AS_FOUND_WITHIN = timedelta(hours=24)
# Sites farther apart than this (deg) are not one stand; a receiver wanders by less (about 500 m).
_ELSEWHERE_DEG = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Somebody said that the feet stand on the marks of this name.

    ``new_marks``: the marks were drawn at that moment, so this is no return to them.
    """

    at: datetime
    name: str
    new_marks: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisSeen:
    """An axis as a survey or the last correction of an adjustment told it.

    Attributes
    ----------
    at : datetime
        Aware UTC instant.
    altitude_rad, azimuth_rad : float
        Of the axis (rad).
    altitude_sigma_rad, azimuth_sigma_rad : float
        How well they are known (rad, one sigma; the azimuth's as an azimuth).
    altitude_error_rad, azimuth_error_rad, total_error_rad : float
        Axis minus the target of that time (rad).
    latitude_deg, longitude_deg : float
        Where (deg).
    corrected : bool
        True where an adjustment told it, False for a survey.
    """

    at: datetime
    altitude_rad: float
    azimuth_rad: float
    altitude_sigma_rad: float
    azimuth_sigma_rad: float
    altitude_error_rad: float
    azimuth_error_rad: float
    total_error_rad: float
    latitude_deg: float
    longitude_deg: float
    corrected: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltsFree:
    """An adjustment began: from now on the bolts may be turned."""

    at: datetime


Moment = Placed | AxisSeen | BoltsFree


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltShift:
    """How far bolts have moved an axis: altitude, azimuth (rad)."""

    altitude_rad: float = 0.0
    azimuth_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One stand of a mount.

    Attributes
    ----------
    name : str
        Of the marks, as it was given; empty where nobody named any.
    since : datetime
        When the feet were put there, as far as it is known.
    new_marks : bool
        Whether the marks were drawn then.
    found : AxisSeen or None
        The axis before any bolt was turned; None where nobody measured it.
    left : AxisSeen or None
        The axis as it was left; None where bolts were turned after the last look.
    turned : BoltShift or None
        How far the bolts were turned here; None where that was not seen.
    spells : tuple of tuples of AxisSeen
        What was seen between one turning of the bolts and the next.
    """

    name: str
    since: datetime
    new_marks: bool
    found: AxisSeen | None
    left: AxisSeen | None
    turned: BoltShift | None
    spells: tuple[tuple[AxisSeen, ...], ...]


def name_key(name: str) -> str:
    """Return what makes two names of marks the same: case and spaces do not matter."""
    return " ".join(name.split()).casefold()


def shift_between(before: AxisSeen, after: AxisSeen) -> BoltShift:
    """Return how far an axis has gone (rad)."""
    return BoltShift(
        altitude_rad=after.altitude_rad - before.altitude_rad,
        azimuth_rad=wrap_half_turn(after.azimuth_rad - before.azimuth_rad),
    )


def stands_of(moments: Iterable[Moment]) -> tuple[Stand, ...]:
    """Return the stands of one mount, oldest first.

    Parameters
    ----------
    moments : iterable of Moment
        Of this mount, in the order in which they happened.
    """
    done: list[Stand] = []
    stand: _Stand | None = None
    for moment in moments:
        match moment:
            case Placed():
                if stand is not None:
                    done.append(stand.finished())
                stand = _Stand(name=moment.name, since=moment.at, new_marks=moment.new_marks)
            case AxisSeen():
                if stand is None:
                    stand = _Stand(since=moment.at)
                elif stand.is_elsewhere(moment):
                    done.append(stand.finished())
                    stand = _Stand(since=moment.at)
                stand.see(moment)
            case BoltsFree():
                if stand is not None:
                    stand.free = True
    if stand is not None:
        done.append(stand.finished())
    return tuple(done)


@dataclass(slots=True, kw_only=True)
class _Stand:
    """A stand while it lasts."""

    since: datetime
    name: str = ""
    new_marks: bool = False
    free: bool = False
    found: AxisSeen | None = None
    last: AxisSeen | None = None
    turned: BoltShift | None = field(default_factory=BoltShift)
    spells: list[list[AxisSeen]] = field(default_factory=list)

    def is_elsewhere(self, seen: AxisSeen) -> bool:
        last = self.last
        if last is None:
            return False
        north = seen.latitude_deg - last.latitude_deg
        east = math.remainder(seen.longitude_deg - last.longitude_deg, 360.0)
        return math.hypot(north, east * math.cos(math.radians(last.latitude_deg))) > _ELSEWHERE_DEG

    def see(self, seen: AxisSeen) -> None:
        fresh = self.last is None
        if fresh and not self.free and not seen.corrected:
            if seen.at - self.since <= AS_FOUND_WITHIN:
                self.found = seen
        elif self.free or seen.corrected:
            # An adjustment that told a correction was one, whether its beginning was kept or not.
            self._add_turn(seen)
            self.spells.append([])
        if not self.spells:
            self.spells.append([])
        self.spells[-1].append(seen)
        self.free = False
        self.last = seen

    def _add_turn(self, seen: AxisSeen) -> None:
        if self.last is None or self.turned is None:
            self.turned = None
            return
        by = shift_between(self.last, seen)
        self.turned = BoltShift(
            altitude_rad=self.turned.altitude_rad + by.altitude_rad,
            azimuth_rad=self.turned.azimuth_rad + by.azimuth_rad,
        )

    def finished(self) -> Stand:
        return Stand(
            name=self.name,
            since=self.since,
            new_marks=self.new_marks,
            found=self.found,
            left=None if self.free else self.last,
            turned=None if self.free else self.turned,
            spells=tuple(tuple(spell) for spell in self.spells),
        )
