"""The person's word: what somebody looked at and said, and how long it may be relied on.

That the mount is clear to move holds for the session, and not past a clock that was set: the Sun
is elsewhere then, and so may be what stands in the way.  That a solar filter is fitted holds for
six hours, and not past such a clock either: a computer's own count stands while it sleeps.
"""

from polewright.core.errors import SafetyError
from polewright.ports import Clock

# Wall clock and elapsed time that part by this much (s) mean a clock that was set, or a computer
# that slept: the Sun moves 1.25 deg meanwhile, under half of its cone's margin.
_CLOCK_JUMP_S = 300.0
# A word about a filter is not for the next day (s).
_FILTER_HOLDS_S = 6.0 * 3600.0


class GivenWord:
    """What was said about one mount and the camera on it.

    Parameters
    ----------
    clock : Clock
        What time it is.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._clear = False
        self._clock_offset_s = self._offset_s()
        self._filter_until_s: float | None = None
        self._filter_offset_s = self._clock_offset_s

    @property
    def clear(self) -> bool:
        """True once somebody said in this session that nothing is in the mount's way."""
        return self._clear

    @property
    def filter_fitted(self) -> bool:
        """True while the word holds that a solar filter sits in front of the camera's tube."""
        until_s = self._filter_until_s
        if until_s is None or self._clock.monotonic() >= until_s:
            return False
        return abs(self._offset_s() - self._filter_offset_s) <= _CLOCK_JUMP_S

    def confirm_clear(self) -> None:
        """Take the word that the mount is clear to move."""
        self._clear = True
        self._clock_offset_s = self._offset_s()

    def confirm_filter(self) -> None:
        """Take the word that the filter is fitted."""
        self._filter_until_s = self._clock.monotonic() + _FILTER_HOLDS_S
        self._filter_offset_s = self._offset_s()

    def remove_filter(self) -> None:
        """Take note that it is off."""
        self._filter_until_s = None

    def require_clear(self) -> None:
        """Refuse where nobody said that the mount is clear to move, or the clock was set since.

        Raises
        ------
        SafetyError
            ``not_confirmed_clear``, ``clock_jumped``.
        """
        jump_s = self._offset_s() - self._clock_offset_s
        if self._clear and abs(jump_s) > _CLOCK_JUMP_S:
            self._clear = False
            raise SafetyError(
                f"the clock was set by {jump_s / 60.0:+.0f} min, or this computer slept: where "
                "the Sun is, and what stands in the way, has changed",
                remedy="Compare the clock with a watch, look at the mount, then confirm again: "
                "polewright survey --clear, or confirm_clear over MQTT.",
                code="clock_jumped",
            )
        if not self._clear:
            raise SafetyError(
                "nobody has confirmed that the mount is clear to move",
                remedy="Look: cables free, nothing in the way, fingers off. Then say so: "
                "polewright survey --clear, or confirm_clear over MQTT.",
                code="not_confirmed_clear",
            )

    def _offset_s(self) -> float:
        return self._clock.now().timestamp() - self._clock.monotonic()
