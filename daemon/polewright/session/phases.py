"""Phases: what the service is doing, and which event leads from one to the next.

The table is data: the runner, the documentation and the tests read the same one.
"""

from enum import StrEnum
from types import MappingProxyType

from polewright.core.errors import UsageError


class Phase(StrEnum):
    """What the service is doing."""

    IDLE = "idle"
    SURVEYING = "surveying"
    ADJUSTING = "adjusting"
    VERIFYING = "verifying"
    STAR_ALIGNING = "star-aligning"
    WATCHING = "watching"
    BLOCKED = "blocked"


class Happening(StrEnum):
    """What makes the phase change."""

    SURVEY_ASKED = "survey asked"
    ADJUST_ASKED = "adjust asked"
    VERIFY_ASKED = "verify asked"
    STAR_ALIGNMENT_ASKED = "star alignment asked"
    WATCH_ASKED = "watch asked"
    DONE = "done"
    STOPPED = "stopped"
    TROUBLE = "trouble"
    CLEARED = "cleared"


_START = {
    Happening.SURVEY_ASKED: Phase.SURVEYING,
    Happening.ADJUST_ASKED: Phase.ADJUSTING,
    Happening.VERIFY_ASKED: Phase.VERIFYING,
    Happening.STAR_ALIGNMENT_ASKED: Phase.STAR_ALIGNING,
    Happening.WATCH_ASKED: Phase.WATCHING,
    Happening.TROUBLE: Phase.BLOCKED,
}
_WORK = {
    Happening.DONE: Phase.IDLE,
    Happening.STOPPED: Phase.IDLE,
    Happening.TROUBLE: Phase.BLOCKED,
}
TRANSITIONS = MappingProxyType(
    {
        Phase.IDLE: MappingProxyType({**_START, Happening.STOPPED: Phase.IDLE}),
        Phase.SURVEYING: MappingProxyType(_WORK),
        Phase.ADJUSTING: MappingProxyType(_WORK),
        Phase.VERIFYING: MappingProxyType(_WORK),
        Phase.STAR_ALIGNING: MappingProxyType(_WORK),
        Phase.WATCHING: MappingProxyType({**_WORK, **_START}),
        # A command is also the person's word that the trouble was seen to: it is tried again.
        Phase.BLOCKED: MappingProxyType(
            {**_START, Happening.CLEARED: Phase.IDLE, Happening.STOPPED: Phase.IDLE}
        ),
    }
)


# What runs, and what was asked for, as a person says it.
_RUNNING = MappingProxyType(
    {
        Phase.SURVEYING: "a survey",
        Phase.ADJUSTING: "an adjustment",
        Phase.VERIFYING: "a check of the axis",
        Phase.STAR_ALIGNING: "a star alignment",
    }
)


def advance(phase: Phase, happening: Happening) -> Phase:
    """Return the phase that follows.

    Raises
    ------
    UsageError
        ``busy``: the happening is not allowed in this phase.
    """
    try:
        return TRANSITIONS[phase][happening]
    except KeyError:
        runs = _RUNNING.get(phase, "something else")
        begun = _RUNNING.get(_START.get(happening, phase), "this")
        begun = "another one" if begun == runs else begun
        raise UsageError(
            f"{runs} is running, so {begun} cannot begin",
            remedy="Wait for it to end, or end it with `polewright stop`; `polewright watch` "
            "shows it.",
            code="busy",
        ) from None
