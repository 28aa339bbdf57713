"""Live telling: what an adjustment tells while it lasts, by whatever means the axis is followed."""

from collections.abc import Callable

from polewright.core.axis.correction import Correction
from polewright.core.errors import MeasurementError
from polewright.session.following import VALIDITY_S, LiveCorrection
from polewright.session.known_axis import KnownAxis
from polewright.session.messages import Message
from polewright.session.workplace import Workplace


class LiveTelling:
    """Tells corrections, steps and trouble of one adjustment.

    Parameters
    ----------
    work : Workplace
        Whose displays and caller are told.
    doing : str
        What is being done, in words.
    keep : callable, optional
        Takes every correction for the journal.
    """

    def __init__(
        self, work: Workplace, doing: str, keep: Callable[[LiveCorrection], None] | None = None
    ) -> None:
        self._work = work
        self._doing = doing
        self._keep = keep
        self._valid_s = VALIDITY_S

    def correction(self, live: LiveCorrection) -> None:
        """Tell one correction."""
        self._valid_s = live.valid_s
        if self._keep is not None:
            self._keep(live)
        memory = self._work.memory
        memory.axis = KnownAxis.corrected(
            live.correction, self._work.clock.now(), doubtful=memory.in_doubt
        )
        message = self._work.teller.correction(live)
        self._work.teller.state(step=self._doing, frames=live.sequence)
        self._work.reply({"step": self._doing, "correction": message})

    def trouble(
        self,
        failure: MeasurementError,
        without_s: float,
        *,
        step: str = "no solved frame at the moment",
    ) -> None:
        """Tell why nothing comes; old figures are taken off the displays after a while."""
        taken = self._work.devices.measurer.taken
        self._work.teller.state(step=step, frames=taken, reason=failure)
        if without_s > self._valid_s:
            self._work.teller.still_correction()

    def say(self, words: str) -> None:
        """Say so with the next correction."""
        self._doing = words

    def step(self, words: str) -> None:
        """Tell what is being done from now on."""
        self._doing = words
        self._work.teller.state(step=words)
        self._work.reply({"step": words})


def verdict_of(final: Correction) -> Message:
    """Return how an adjustment ended."""
    return {
        "verdict": final.verdict.value,
        "total_error_arcmin": round(final.total_error_arcmin, 4),
        "total_error_sigma_arcmin": round(final.total_error_sigma_arcmin, 4),
    }
