"""Workflows: which command begins which work, and what the service is while it lasts.

The table is data: a new piece of the evening is one more row.
"""

from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from polewright.session.adjusting import adjust_axis
from polewright.session.aligning import align_stars
from polewright.session.drift_check import check_drift
from polewright.session.messages import Message
from polewright.session.phases import Happening
from polewright.session.sighting import take_sight
from polewright.session.surveying import survey_axis
from polewright.session.verifying import verify_axis
from polewright.session.watchkeeping import keep_watch
from polewright.session.workplace import Workplace


@dataclass(frozen=True, slots=True)
class Workflow:
    """One command's work: what asking for it makes of the phase, and the coroutine that does it."""

    asked: Happening
    work: Callable[[Workplace, Mapping[str, Any]], Coroutine[Any, Any, Message]]


WORKFLOWS: Mapping[str, Workflow] = MappingProxyType(
    {
        "survey": Workflow(Happening.SURVEY_ASKED, survey_axis),
        "sight": Workflow(Happening.SURVEY_ASKED, take_sight),
        "align_stars": Workflow(Happening.STAR_ALIGNMENT_ASKED, align_stars),
        "adjust": Workflow(Happening.ADJUST_ASKED, adjust_axis),
        "keep_watch": Workflow(Happening.WATCH_ASKED, keep_watch),
        "verify": Workflow(Happening.VERIFY_ASKED, verify_axis),
        "drift": Workflow(Happening.VERIFY_ASKED, check_drift),
    }
)
"""By verb."""
