"""Bolt: one adjustment screw, turned by hand or by a motor, with its play."""

import math

from polewright_drivers.sky_simulator.play import Play


class Bolt:
    """One knob and the angle that it moves.

    Parameters
    ----------
    arcmin_per_turn : float
        What one turn moves.
    clockwise_sign : float
        +1 where a clockwise turn moves the axis east (azimuth) or up (altitude).
    backlash_turns : float
        Play between knob and axis.
    """

    def __init__(
        self, *, arcmin_per_turn: float, clockwise_sign: float, backlash_turns: float
    ) -> None:
        self._rad_per_turn = math.radians(arcmin_per_turn / 60.0) * clockwise_sign
        self._play = Play(backlash_turns)
        self._target_turns = 0.0
        self._rate_turns_s = 0.0
        self.knob_turns = 0.0

    @property
    def moving(self) -> bool:
        """True while the knob turns."""
        return self.knob_turns != self._target_turns

    @property
    def angle_rad(self) -> float:
        """How far the axis has been moved from the start (rad, + east or up)."""
        return self._play.position * self._rad_per_turn

    def turn(self, turns: float, rate_turns_s: float) -> None:
        """Start turning the knob from where it is (turns, + clockwise)."""
        self._target_turns = self.knob_turns + turns
        self._rate_turns_s = rate_turns_s

    @property
    def turns_left(self) -> float:
        """Turns that are still to come (+ clockwise)."""
        return self._target_turns - self.knob_turns

    def turns_for(self, angle_rad: float) -> float:
        """Return the clockwise turns for a wanted motion, play left out of account."""
        return angle_rad / self._rad_per_turn

    def abort(self) -> None:
        """Stop where the knob is."""
        self._target_turns = self.knob_turns

    def advance(self, duration_s: float) -> None:
        """Let the knob turn for a while (s)."""
        way = self._target_turns - self.knob_turns
        reach = self._rate_turns_s * duration_s
        if abs(way) <= reach:
            self.knob_turns = self._target_turns
        else:
            self.knob_turns += math.copysign(reach, way)
        self._play.follow(self.knob_turns)
