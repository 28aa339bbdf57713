"""Findings: what the check-up says of one step."""

from dataclasses import dataclass
from enum import StrEnum


class Mark(StrEnum):
    """How a step came out."""

    GOOD = "good"
    NOTE = "note"
    BAD = "bad"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One step: what was looked at, how it is, and what to do where it is not good."""

    step: str
    mark: Mark
    text: str
    remedy: str = ""
