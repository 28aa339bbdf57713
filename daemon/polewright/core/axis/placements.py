"""Placements: what earlier returns to marks on the ground tell of the next one.

Feet that come back to their marks do not come back exactly.  What each return changed is the axis
as it was found, less the axis as it had been left there, the bolts' turns at other stands in
between added.  These changes are taken as normal about an unknown mean with an unknown spread; the
next one then follows Student's t (Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.2, with
a scaled inverse chi-square prior on the variance alone).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from polewright.core.axis.stands import BoltShift, Stand, name_key
from polewright.core.axis.student import student_half_width
from polewright.core.geometry.directions import ARCMIN_RAD, wrap_half_turn

# The spread of returns before any was measured, worth one of them: feet that miss their marks by 2
# mm on a circle of 0.6 m turn the head by 11 arcmin, and tilt it as much (a judgement, no source).
# One degree of freedom only: a carpet or a lawn is ten times worse, and may say so at once.
PRIOR_SPREAD_RAD = 10.0 * ARCMIN_RAD
_PRIOR_DEGREES = 1
# A tripod is as it was lately.
_MOST_RETURNS = 30

TWO_IN_THREE = math.erf(math.sqrt(0.5))
"""The probability of one sigma of a normal distribution, 0.683."""
NINETEEN_IN_TWENTY = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class NextValue:
    """Where one more value may lie.

    Attributes
    ----------
    mean_rad : float
        Its middle (rad).
    spread_rad : float
        Two times in three it is no farther from there (rad).
    wide_rad : float
        Nineteen times in twenty (rad).
    """

    mean_rad: float
    spread_rad: float
    wide_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """How the axis will be found when the feet are back on their marks.

    Attributes
    ----------
    name : str
        Of the marks.
    returns : int
        How many returns say so.
    altitude, azimuth : NextValue
        Of the axis itself, not of its error (rad).
    """

    name: str
    returns: int
    altitude: NextValue
    azimuth: NextValue


def next_value(values_rad: Sequence[float]) -> NextValue:
    """Return where one more value may lie.

    Parameters
    ----------
    values_rad : sequence of float
        One or more (rad).
    """
    count = len(values_rad)
    if not count:
        raise ValueError("no value says anything of the next one")
    mean = math.fsum(values_rad) / count
    degrees = _PRIOR_DEGREES + count - 1
    squares = math.fsum((value - mean) ** 2 for value in values_rad)
    variance = (_PRIOR_DEGREES * PRIOR_SPREAD_RAD**2 + squares) / degrees
    scale = math.sqrt(variance * (1.0 + 1.0 / count))
    return NextValue(
        mean_rad=mean,
        spread_rad=scale * student_half_width(TWO_IN_THREE, degrees),
        wide_rad=scale * student_half_width(NINETEEN_IN_TWENTY, degrees),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """One return to marks: the stand, and what it changed against how the axis had been left."""

    stand: Stand
    change: BoltShift


def returns_to(name: str, stands: Sequence[Stand]) -> tuple[Return, ...]:
    """Return the measured returns to the newest marks of a name, oldest first.

    A return counts where the axis was measured before a bolt was turned, and where it is known how
    the axis had been left and what the bolts were turned by since.
    """
    return _followed(name, stands)[0][-_MOST_RETURNS:]


def expected_start(name: str, stands: Sequence[Stand]) -> Start | None:
    """Return how the axis will be found at the next return; None where nothing is known.

    Parameters
    ----------
    name : str
        Of the marks.
    stands : sequence of Stand
        All of one mount, oldest first, each of them over.
    """
    returns, left = _followed(name, stands)
    if left is None or not returns:
        return None
    newest = returns[-_MOST_RETURNS:]
    altitude = next_value([each.change.altitude_rad for each in newest])
    azimuth = next_value([each.change.azimuth_rad for each in newest])
    return Start(
        name=name,
        returns=len(newest),
        altitude=_moved(altitude, left.altitude_rad),
        azimuth=_moved(azimuth, left.azimuth_rad),
    )


def _followed(name: str, stands: Sequence[Stand]) -> tuple[tuple[Return, ...], BoltShift | None]:
    """Return the returns to a name, and where the bolts would point the axis there now.

    That is an altitude and an azimuth; None where bolts were turned and nobody saw how far.
    """
    key = name_key(name)
    returns: list[Return] = []
    expected: BoltShift | None = None
    for stand in stands:
        if name_key(stand.name) != key:
            expected = _added(expected, stand.turned)
            continue
        if stand.new_marks:
            returns.clear()
        elif expected is not None and stand.found is not None:
            found = stand.found
            change = BoltShift(
                altitude_rad=found.altitude_rad - expected.altitude_rad,
                azimuth_rad=wrap_half_turn(found.azimuth_rad - expected.azimuth_rad),
            )
            returns.append(Return(stand=stand, change=change))
        if stand.left is not None:
            expected = BoltShift(
                altitude_rad=stand.left.altitude_rad, azimuth_rad=stand.left.azimuth_rad
            )
        else:
            # Nobody looked, or bolts were turned after the last look.
            untouched = stand.turned == BoltShift() and not stand.new_marks
            expected = expected if untouched else None
    return tuple(returns), expected


def _added(where: BoltShift | None, turned: BoltShift | None) -> BoltShift | None:
    if where is None or turned is None:
        return None
    return BoltShift(
        altitude_rad=where.altitude_rad + turned.altitude_rad,
        azimuth_rad=where.azimuth_rad + turned.azimuth_rad,
    )


def _moved(value: NextValue, by_rad: float) -> NextValue:
    return NextValue(
        mean_rad=value.mean_rad + by_rad, spread_rad=value.spread_rad, wide_rad=value.wide_rad
    )
