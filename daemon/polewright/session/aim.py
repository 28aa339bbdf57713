"""The aim: where the axis shall be and how near, by the wishes that hold at the moment.

A plan may be set, or end, while an adjustment or a check goes on: what it says is judged by the
plan that holds then.
"""

from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.place import Place
from polewright.session.wishes import EveningWishes
from polewright.session.workplace import Memory


class Aim:
    """Asked before every verdict.

    Parameters
    ----------
    memory : Memory
        Whose wishes hold.
    place : Place
        Where the mount stands.
    """

    def __init__(self, memory: Memory, place: Place) -> None:
        self._memory = memory
        self._place = place
        self._by: EveningWishes | None = None
        self._now: tuple[Vector, float] | None = None

    def __call__(self) -> tuple[Vector, float]:
        """Return the target (East-North-Up) and the tolerance (rad).

        Raises
        ------
        UsageError
            ``no_window``.
        """
        wishes = self._memory.wishes
        if self._now is None or self._by is not wishes:
            target = wishes.target_enu(self._place)
            self._by, self._now = wishes, (target, wishes.tolerance_arcsec * ARCSEC_RAD)
        return self._now
