"""The record of one seed: what happened when, by one clock (monotonic s)."""

import time
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One message of the service."""

    s: float
    topic: str
    payload: Any
    retained: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One command and how it went; ``ended_s`` None: nobody said that it has ended."""

    s: float
    verb: str
    accepted_s: float | None = None
    ended_s: float | None = None
    code: str = ""


@dataclass(slots=True, kw_only=True)
class Done:
    """One fault as it was done; ``recovered_s`` None: never."""

    kind: str
    began_s: float
    ended_s: float = 0.0
    recovered_s: float | None = None
    noted: str = ""


@dataclass(slots=True, kw_only=True)
class Life:
    """One life of the service; ``asked_to_end_s``: when SIGTERM was sent."""

    began_s: float
    asked_to_end_s: float | None = None
    killed_s: float | None = None
    ended_s: float | None = None
    code: int | None = None


@dataclass(slots=True)
class Record:
    """All of it."""

    told: list[Told] = field(default_factory=list)
    asked: list[Asked] = field(default_factory=list)
    faults: list[Done] = field(default_factory=list)
    lives: list[Life] = field(default_factory=list)
    truths: list[dict[str, Any]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    journal: list[float] = field(default_factory=list)
    log: str = ""
    witness_away: list[tuple[float, float]] = field(default_factory=list)
    ended_s: float = 0.0

    def of(self, topic: str) -> list[Told]:
        """Return what was told on a topic."""
        return [one for one in self.told if one.topic == topic]

    def last(self, topic: str) -> Any:
        """Return what stands on a topic."""
        for one in reversed(self.told):
            if one.topic == topic:
                return one.payload
        return None

    def tell(self, topic: str, payload: Any, *, retained: bool) -> None:
        """Take a message down."""
        self.told.append(Told(s=time.monotonic(), topic=topic, payload=payload, retained=retained))
