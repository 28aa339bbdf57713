"""Notices: what is worth a buzz in a pocket, each told once: good enough, moved, blocked."""

from collections.abc import Mapping

from polewright.core.errors import PolewrightError
from polewright.ports import Publisher
from polewright.session.adjustment import STEADY_FRAMES
from polewright.session.messages import Message, event_message

_GOOD = "good_enough"
# Something moved that nobody was asked to move.
_MOVED_CODES = frozenset({"declination_moved", "tripod_moved"})
# What a person ended is no news to anybody.
_NO_NEWS_CODES = frozenset({"stopped"})


class Notices:
    """Tells events of an evening.

    Parameters
    ----------
    publisher : Publisher
        Where they go.
    """

    def __init__(self, publisher: Publisher) -> None:
        self._publisher = publisher
        self._steady = 0
        self._told_good = False
        self._told_trouble: tuple[str, str] | None = None

    def begin_adjustment(self) -> None:
        """Take note that hands go to the bolts: the next time that it is good is news."""
        self._steady, self._told_good = 0, False

    def correction(self, message: Mapping[str, object]) -> None:
        """Look at a live correction; good enough is told once it has held, and not again."""
        good = message["verdict"] == _GOOD
        self._steady = self._steady + 1 if good else 0
        if self._steady >= STEADY_FRAMES and not self._told_good:
            self._told_good = True
            self._tell_good(message)

    def survey(self, message: Mapping[str, object]) -> None:
        """Look at a survey that has just been finished."""
        if message["verdict"] == _GOOD:
            self._tell_good(message)

    def well(self) -> None:
        """Take note that work ended well, or that trouble is over: the next one is news."""
        self._told_trouble = None

    def trouble(self, reason: PolewrightError) -> None:
        """Tell what blocks the service, and before it that something moved, if it is that."""
        this = (reason.code, reason.text)
        if reason.code in _NO_NEWS_CODES or this == self._told_trouble:
            return
        self._told_trouble = this
        if reason.code in _MOVED_CODES:
            self._tell("warning", "moved", reason.text, reason.remedy)
        self._tell("error", "blocked", reason.text, reason.remedy)

    def _tell_good(self, message: Mapping[str, object]) -> None:
        text = (
            f"good enough: off by {message['total_error_arcmin']:.2f} arcmin "
            f"+- {message['total_error_sigma_arcmin']:.2f}"
        )
        self._tell("info", _GOOD, text, "Leave the bolts.")

    def _tell(self, level: str, code: str, text: str, remedy: str) -> None:
        event: Message = event_message(level, code, text, remedy)
        self._publisher.publish("event", event, retain=False)
