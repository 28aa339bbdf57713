"""Settings of scheduled verification: when, whether it may move, and what it opens."""

import zoneinfo
from datetime import time, timedelta
from pathlib import PurePosixPath
from typing import Annotated, Literal

from pydantic import Field, model_validator

from polewright.core.occasions import Dusk, Timetable
from polewright.settings.section import Section, clash

ClockTime = Annotated[
    str,
    Field(
        pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$",
        json_schema_extra={"allowed": "hours and minutes, 00:00 to 23:59, in quotes"},
    ),
]
Word = Annotated[str, Field(min_length=1, max_length=1000)]


class ScheduleSettings(Section):
    """Verification of the axis at set times, and what may begin once it is good enough."""

    at: Annotated[list[ClockTime], Field(max_length=12)] = Field(
        default=[],
        description="Verify every day at these times of the clock on the wall.",
        json_schema_extra={"allowed": 'a list of times like ["21:30", "02:00"], at most 12'},
    )
    zone: str | None = Field(
        default=None,
        max_length=64,
        description="Time zone of that clock; left out: this computer's. Summer time is followed: "
        "a time that the clock leaps over comes as much later, one that it shows twice counts "
        "once.",
        json_schema_extra={"allowed": 'a name of the time zone database like "Africa/Windhoek"'},
    )
    after_dusk_min: float | None = Field(
        default=None,
        ge=-120,
        le=720,
        description="Verify every evening so long after dusk (minutes; negative: before); left "
        "out: not by dusk.",
    )
    dusk: Literal["civil", "nautical", "astronomical"] = Field(
        default="nautical",
        description="Which dusk: the Sun 6, 12 or 18 deg below the horizon.",
    )
    before_plan: bool = Field(
        default=True,
        description="Verify before the plan's window, where there is one.",
    )
    may_move: bool = Field(
        default=False,
        description="Whether a scheduled verification may go on to a survey, which moves the "
        "mount, where a quick look cannot tell. Only after somebody said in this session that it "
        "is clear, and after half a minute's warning; look at docs/safety.md first.",
    )
    grace_min: float = Field(
        default=30.0,
        ge=1,
        le=240,
        description="So long a scheduled verification waits for other work to end, or for "
        "devices (minutes); then it is told as missed.",
    )
    survey_holds_hours: float = Field(
        default=12.0,
        gt=0,
        le=720,
        description="A quick look believes a survey no older than this (hours). More only where "
        "camera and declination clamp stay untouched from evening to evening.",
    )
    gate_command: Annotated[list[Word], Field(max_length=32)] = Field(
        default=[],
        description="A program and its arguments, started without a shell after each verification "
        "that says good_enough; the program with its whole path. Empty: none. It runs as the "
        "service's own user: nobody else may write to the file or its folders.",
        json_schema_extra={"allowed": 'a list like ["/usr/local/bin/begin-imaging", "kudu"]'},
    )
    gate_s: float = Field(
        default=60.0,
        ge=1,
        le=3600,
        description="It is ended when it takes longer (s).",
    )

    @model_validator(mode="after")
    def _usable(self) -> "ScheduleSettings":
        if self.zone is not None:
            try:
                zoneinfo.ZoneInfo(self.zone)
            except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
                raise clash("zone", f"there is no time zone {self.zone!r} here") from None
        if self.gate_command and not PurePosixPath(self.gate_command[0]).is_absolute():
            raise clash("gate_command", "the program needs its whole path, beginning with /")
        return self

    def timetable(self) -> Timetable:
        """Return when verifications are due by clock and dusk."""
        return Timetable(
            times=tuple(time.fromisoformat(moment) for moment in self.at),
            zone=None if self.zone is None else zoneinfo.ZoneInfo(self.zone),
            after_dusk=(
                None if self.after_dusk_min is None else timedelta(minutes=self.after_dusk_min)
            ),
            dusk=Dusk(self.dusk),
        )
