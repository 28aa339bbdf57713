"""Synchronising: when a mount may be told where it points.

A sync turns nothing, and every slew after it goes elsewhere: to where the mount then believes that
things are.  A wrong one lets the interlocks guard the wrong part of the sky, the Sun's included.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from polewright.core.errors import SafetyError
from polewright.core.geometry.directions import angle_between
from polewright.core.sky.doubts import Bars, Doubt
from polewright.core.sky.ways import directions_enu
from polewright.session.limits import Scene, refuse_place

LARGEST_SYNC_DEG = 3.0
"""A larger change needs the person's word: it is the margin of the Sun's cone for a mount that
points off (``SafetyLimits.axis_uncertainty_deg``)."""
# A frame older than this may show where the telescope pointed before somebody moved it (s).
OLDEST_FRAME_S = 120.0
# A camera that stamps its frames by a clock of its own may be ahead by this (s): half an arcminute
# of the sky; more is no clock to sync a mount by.
_CLOCKS_DIFFER_S = 2.0
# So near the meridian nobody can tell on which side of the pier a place is (deg).
_ON_THE_MERIDIAN_DEG = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SolvedPlace:
    """Where a frame shows that the telescope points.

    Attributes
    ----------
    right_ascension_deg, declination_deg : float
        Apparent place of date of the middle of the picture, without the air (deg).
    instant : datetime
        Aware UTC instant of the middle of its exposure.
    """

    right_ascension_deg: float
    declination_deg: float
    instant: datetime


def off_by_deg(
    scene: Scene, shown_deg: tuple[float, float], seen_deg: tuple[float, float]
) -> float:
    """Return how far a mount points from where it shows (hour angle, declination; deg)."""
    hours, declinations = np.array([shown_deg, seen_deg]).T
    shown, seen = directions_enu(hours, declinations, scene.place)
    return float(np.degrees(angle_between(shown, seen)))


def refuse_elsewhere(off_deg: float, *, confirmed: bool) -> None:
    """Refuse to go on by the word of a mount that points quite elsewhere.

    Raises
    ------
    SafetyError
        ``points_elsewhere``.
    """
    if off_deg > LARGEST_SYNC_DEG and not confirmed:
        raise SafetyError(
            f"the telescope points {off_deg:.1f} deg from where the mount says, more than the "
            f"{LARGEST_SYNC_DEG:g} deg that the interlocks allow for: its home position, its site "
            "or its clock is wrong",
            remedy="Set the mount to its home position and check its site and time. If you looked "
            "and it is right so: polewright align-stars --points-elsewhere.",
            code="points_elsewhere",
        )


def refuse_sync(
    scene: Scene,
    doubts: Sequence[Doubt],
    shown_deg: tuple[float, float],
    seen_deg: tuple[float, float],
    seen_at: datetime,
    *,
    confirmed: bool,
) -> None:
    """Refuse a sync that would make later slews unsafe.

    Parameters
    ----------
    shown_deg, seen_deg : (float, float)
        Hour angle and declination (deg) that the mount shows, and that the frame shows.
    seen_at : datetime
        Instant of the frame.
    confirmed : bool
        Whether a person has looked and said that so large a change is right.

    Raises
    ------
    SafetyError
        ``place_or_time_in_doubt``, ``frame_too_old``, ``frame_from_future``, ``points_elsewhere``,
        ``sync_changes_sides``, or the limit that the true direction breaks.
    """
    for doubt in doubts:
        # By night as well: the sync is still there in the morning.
        if doubt.bars is not Bars.NOTHING:
            raise SafetyError(
                f"place or time are in doubt, so the mount is not told where it points: "
                f"{doubt.text}; {doubt.consequence}",
                remedy=doubt.remedy,
                code="place_or_time_in_doubt",
            )
    age_s = (scene.now - seen_at).total_seconds()
    if age_s < -_CLOCKS_DIFFER_S:
        raise SafetyError(
            f"the frame is dated {-age_s:.0f} s ahead of this computer, so nobody knows how old "
            "it is",
            remedy="Set the camera's clock or the computer's right, and align again.",
            code="frame_from_future",
        )
    if age_s > OLDEST_FRAME_S:
        raise SafetyError(
            f"the frame is {age_s:.0f} s old, so the telescope may point elsewhere by now",
            remedy="Align again; compare the computer's clock with a watch.",
            code="frame_too_old",
        )
    refuse_elsewhere(off_by_deg(scene, shown_deg, seen_deg), confirmed=confirmed)
    shown, seen = shown_deg[0], seen_deg[0]
    if shown * seen < 0.0 and min(abs(shown), abs(seen)) > _ON_THE_MERIDIAN_DEG:
        raise SafetyError(
            "the mount believes to be on the other side of the meridian than it is: after a sync "
            "it might go round its pier where nobody expects it",
            remedy="Move to a place farther from the meridian, or set the mount's home position.",
            code="sync_changes_sides",
        )
    refuse_place(scene, *seen_deg)
