"""Settling: frames after a slew, until they show that the mount stands.

Coordinates that stand still are waited for by the mount's adapter.  Encoders do not see all that
still moves: a tube that swings, gears that creep into place.  The frames do.
"""

import logging
from collections.abc import Awaitable, Callable

from polewright.core.geometry.directions import ARCSEC_RAD, angle_between
from polewright.core.imaging.stars import is_trailed
from polewright.session.measuring import Measured

_log = logging.getLogger(__name__)

CHEAP_EXPOSURE_S = 0.5
CHEAP_LOOK_S = 1.5
"""A second frame of this exposure that takes no longer than this with its download and solution (s)
costs less than a wait that is long enough for any mount."""

# A mount that has not come to rest after so many frames is not settling.
_MOST_LOOKS = 8
# Two looks a second apart agree within this (arcsec), or this part of a pixel where pixels are
# large; nearer ones within less: periodic error and air move stars by 2 arcsec at once, and a tube
# that creeps slowly is to be told from one that stands.
_AGREE_ARCSEC = 8.0
_AGREE_PX = 0.5
_SHORTEST_GAP_S = 0.25


async def settled_frame(
    look: Callable[[], Awaitable[Measured]], *, doubted: Callable[[], bool]
) -> Measured:
    """Take frames until one shows that the mount stands, and return that one.

    A frame without trails is enough, unless ``doubted``, or unless one before it had trails: then
    two looks in a row must agree.  Two trailed frames that agree are no settling, but tracking or
    optics, and are taken as they are.

    Parameters
    ----------
    look : callable
        Takes and solves one frame.
    doubted : callable
        Returns whether the first frame is to be confirmed by another; asked after it was taken.

    Raises
    ------
    PolewrightError
        What ``look`` raises.
    """
    before: Measured | None = None
    for count in range(1, _MOST_LOOKS + 1):
        now = await look()
        trailed = is_trailed(now.attitude.elongation)
        if before is None and not trailed and not doubted():
            return now
        if before is not None and _agree(before, now):
            _log.debug("two looks agree after %d frames", count)
            return now
        if trailed:
            _log.info("the stars are trails: one more frame, in case the mount still moved")
        before = now
    _log.warning("the mount did not come to rest within %d frames; going on", _MOST_LOOKS)
    return now


def _agree(before: Measured, now: Measured) -> bool:
    """Return whether two frames look at the same stars, or, untracked, at the same spot."""
    gap_s = abs((now.observed.instant - before.observed.instant).total_seconds())
    limit_arcsec = max(_AGREE_ARCSEC, _AGREE_PX * now.attitude.scale_arcsec_px)
    limit_arcsec *= min(1.0, max(_SHORTEST_GAP_S, gap_s))
    on_sky = angle_between(before.attitude.boresight_icrs, now.attitude.boresight_icrs)
    on_ground = angle_between(
        before.observed.enu_from_camera[:, 0], now.observed.enu_from_camera[:, 0]
    )
    return min(on_sky, on_ground) <= limit_arcsec * ARCSEC_RAD
