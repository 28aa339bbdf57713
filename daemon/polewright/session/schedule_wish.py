"""Schedule wish: when the axis is verified by itself, and what that may do."""

from dataclasses import dataclass, field
from datetime import timedelta

from polewright.core.occasions import Timetable
from polewright.session.known_axis import HOLDS


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleWish:
    """How verifications are scheduled (see the settings).

    ``survey_holds``: how old a survey a quick look may believe.
    """

    timetable: Timetable = field(default_factory=Timetable)
    before_plan: bool = True
    may_move: bool = False
    grace: timedelta = timedelta(minutes=30)
    survey_holds: timedelta = HOLDS
