"""The ledger of commands: a repeated id gets the first answer, and nothing is done twice."""

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

# The contract: a repeat within ten minutes gets the first answer.
KEPT_S = 600.0
MOST_KEPT = 1000


@dataclass(slots=True, kw_only=True)
class Entry:
    """One command that was obeyed: what it was, and its latest answer."""

    digest: str
    at_s: float
    answer: dict[str, Any] = field(default_factory=dict)


class Ledger:
    """Remembers commands by id, for ten minutes and a bounded number.

    Parameters
    ----------
    monotonic : callable
        Seconds that never jump.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._entries: dict[str, Entry] = {}

    def find(self, identifier: str) -> Entry | None:
        """Return the entry of an id; None where it is new or long past."""
        self._forget()
        return self._entries.get(identifier)

    def enter(self, identifier: str, digest: str) -> Entry:
        """Remember a new command."""
        entry = Entry(digest=digest, at_s=self._monotonic())
        self._entries[identifier] = entry
        self._forget()
        return entry

    def _forget(self) -> None:
        oldest_s = self._monotonic() - KEPT_S
        # Entries stand in the order of their arrival.
        for identifier, entry in list(self._entries.items()):
            if entry.at_s > oldest_s and len(self._entries) <= MOST_KEPT:
                break
            del self._entries[identifier]


def digest_of(verb: str, arguments: dict[str, Any]) -> str:
    """Return what tells two commands with one id apart."""
    text = repr((verb, sorted(arguments.items())))
    return hashlib.sha256(text.encode()).hexdigest()
