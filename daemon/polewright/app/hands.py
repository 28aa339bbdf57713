"""Simulated hands for the rehearsal: they see only what a display shows, and learn the knobs.

Like a person who does not know the mount: a small turn first, look which way and how far the
figure went, then turn by that much.  They know nothing of the simulator's truth.
"""

from dataclasses import dataclass, field

# A first turn that no bolt minds (turns).
_FIRST_TURN = 0.25
# Nobody turns farther than this without looking again (turns).
_LONGEST_TURN = 6.0
# Finer than this fingers do not turn (turns).
_SMALLEST_TURN = 0.004
# A change smaller than this says nothing about the knob (arcmin).
_TELLING_CHANGE_ARCMIN = 0.5


@dataclass
class KnobSense:
    """What the hands have learned of one knob: change of the figure per clockwise turn."""

    arcmin_per_turn: float | None = None
    last_turn: float = 0.0
    error_before_arcmin: float | None = None
    moves: int = field(default=0)

    def look(self, error_arcmin: float) -> None:
        """Learn from what the last turn did."""
        before, turned = self.error_before_arcmin, self.last_turn
        if before is None or turned == 0.0:
            return
        change = error_arcmin - before
        # A turn that went into the slack of the thread, or a change lost in the noise, teaches
        # nothing; the first telling turn teaches all, later ones refine.
        if abs(change) < _TELLING_CHANGE_ARCMIN or abs(turned) < 0.1:
            return
        seen = change / turned
        if self.arcmin_per_turn is None or seen * self.arcmin_per_turn <= 0.0:
            self.arcmin_per_turn = seen
        else:
            self.arcmin_per_turn += 0.5 * (seen - self.arcmin_per_turn)

    def next_turn(self, error_arcmin: float, sigma_arcmin: float) -> float:
        """Return how far to turn the knob now (turns, clockwise positive)."""
        self.look(error_arcmin)
        if self.arcmin_per_turn is None:
            turn = _FIRST_TURN * (1 + self.moves)
        elif abs(error_arcmin) < 0.3 * sigma_arcmin:
            turn = 0.0
        else:
            turn = -error_arcmin / self.arcmin_per_turn
            turn = max(-_LONGEST_TURN, min(_LONGEST_TURN, turn))
            if abs(turn) < _SMALLEST_TURN:
                turn = 0.0
        self.error_before_arcmin, self.last_turn = error_arcmin, turn
        self.moves += 1
        return turn
