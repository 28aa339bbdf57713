"""Play: what a loose gear or screw passes on of the motion that drives it."""


class Play:
    """A driven part that follows its driver only after the gap is taken up.

    Parameters
    ----------
    gap : float
        Whole width of the gap, in the driver's unit.
    position : float
        Where driver and driven part start, in the middle of the gap.
    """

    def __init__(self, gap: float, position: float = 0.0) -> None:
        self._half = gap / 2.0
        self.position = position

    def follow(self, driver: float) -> float:
        """Move the driver there, monotonically, and return the driven part's position."""
        self.position = min(max(self.position, driver - self._half), driver + self._half)
        return self.position
