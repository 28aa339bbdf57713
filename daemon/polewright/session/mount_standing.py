"""How one mount of many stands: one row from what its topics say."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from polewright.session.known_axis import HOLDS

# A service tells its health every 30 s: three that are missing are no chance any more.
QUIET_S = 100.0
# A service that hangs for so long (s) is rarer than a small computer without a battery, which wakes
# up in the past.
_CLOCKS_DIFFER_S = 6.0 * 3600.0
# What may still move is told so long, also where nobody says that it was seen to.
_MAY_MOVE_S = 1800.0
# A correction that nobody renews holds so long, where it does not say otherwise.
_VALID_S = 30.0
# Phases in which nobody would end a service.
_AT_WORK = frozenset({"surveying", "adjusting", "verifying", "star-aligning", "watching"})


# No figure of a mount, nor its age in seconds, comes near.
_LARGEST = 1e12


class Standing(StrEnum):
    """How a mount stands; in the order in which somebody has to go there."""

    MAY_MOVE = "may_move"
    BLOCKED = "blocked"
    MOVED = "moved"
    LOST = "lost"
    QUIET = "quiet"
    NOT_YET = "not_yet"
    CANNOT_TELL = "cannot_tell"
    NOT_MEASURED = "not_measured"
    GOOD_ENOUGH = "good_enough"
    OFF = "off"


STANDING_WORDS: Mapping[Standing, str] = {
    Standing.MAY_MOVE: "may still move",
    Standing.BLOCKED: "blocked",
    Standing.MOVED: "axis moved",
    Standing.LOST: "lost at work",
    Standing.QUIET: "quiet",
    Standing.NOT_YET: "not yet",
    Standing.CANNOT_TELL: "cannot tell",
    Standing.NOT_MEASURED: "not measured",
    Standing.GOOD_ENOUGH: "good enough",
    Standing.OFF: "not running",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MountRow:
    """One mount at one moment; None for what it does not say.

    Attributes
    ----------
    mount : str
        Its short name.
    standing : Standing
        What matters most of it.
    verdict : str, optional
        Of the newest measurement.
    total_error_arcmin, total_error_sigma_arcmin, tolerance_arcmin : float, optional
        Of the same.
    measured_age_s : float, optional
        How old that is (s).
    live : bool
        Whether the bolts are being turned by it now.
    state : str, optional
        The service's phase.
    heard_age_s : float, optional
        Since the service was last heard (s).
    note : str
        What a person has to know: why it is blocked, what moved.
    remedy : str
        What to do about that.
    """

    mount: str
    standing: Standing
    verdict: str | None
    total_error_arcmin: float | None
    total_error_sigma_arcmin: float | None
    tolerance_arcmin: float | None
    measured_age_s: float | None
    live: bool
    state: str | None
    heard_age_s: float | None
    note: str
    remedy: str

    @property
    def words(self) -> str:
        """How it stands, in words."""
        return STANDING_WORDS[self.standing]

    def figures(self) -> dict[str, Any]:
        """Return the row for programs, rounded to what can be read."""
        return {
            "mount": self.mount,
            "standing": self.standing.value,
            "words": self.words,
            "verdict": self.verdict,
            "total_error_arcmin": _rounded(self.total_error_arcmin, 3),
            "total_error_sigma_arcmin": _rounded(self.total_error_sigma_arcmin, 3),
            "tolerance_arcmin": _rounded(self.tolerance_arcmin, 3),
            "measured_age_s": _rounded(self.measured_age_s, 1),
            "live": self.live,
            "state": self.state,
            "heard_age_s": _rounded(self.heard_age_s, 1),
            "note": self.note,
            "remedy": self.remedy,
        }


@dataclass(slots=True)
class Told:
    """The newest message of one topic, and when it was true (monotonic s; None: not said)."""

    payload: Any
    at_s: float | None


@dataclass(slots=True)
class MountTold:
    """Everything that one mount has said, and when it was heard last (monotonic s).

    ``since_s``: since when it has been listened to.
    """

    since_s: float
    told: dict[str, Told] = field(default_factory=dict)
    heard_s: float | None = None

    def body(self, topic: str) -> Mapping[str, Any]:
        """Return the newest JSON message of a topic; empty where there is none."""
        told = self.told.get(topic)
        return told.payload if told is not None and isinstance(told.payload, dict) else {}

    def at_s(self, topic: str) -> float | None:
        """Return when a topic's message was true (monotonic s)."""
        told = self.told.get(topic)
        return None if told is None else told.at_s


def lapse_words(seconds: float) -> str:
    """Return an age as a person says it."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    if seconds < 172800.0:
        return f"{seconds / 3600.0:.0f} h"
    return f"{seconds / 86400.0:.0f} days"


def row_of(name: str, one: MountTold, now_s: float) -> MountRow:
    """Return how a mount stands at an instant (monotonic s)."""
    heard_age_s = None if one.heard_s is None else max(now_s - one.heard_s, 0.0)
    if (ahead_s := _clock_ahead_s(one, heard_age_s, now_s)) and heard_age_s is not None:
        # From here on by the service's own clock.
        now_s, heard_age_s = now_s - ahead_s, heard_age_s - ahead_s
    found, age_s = _measured(one, now_s)
    live = _is_live(one, age_s) if found is one.body("correction") else False
    standing, note, remedy = _standing(one, found, age_s, heard_age_s, now_s)
    return MountRow(
        mount=name,
        standing=standing,
        verdict=_text(found, "verdict"),
        total_error_arcmin=_number(found, "total_error_arcmin"),
        total_error_sigma_arcmin=_number(found, "total_error_sigma_arcmin"),
        tolerance_arcmin=_number(found, "tolerance_arcmin")
        or _number(one.body("survey"), "tolerance_arcmin"),
        measured_age_s=age_s,
        live=live and standing not in (Standing.QUIET, Standing.OFF, Standing.LOST),
        state=_text(one.body("state"), "state"),
        heard_age_s=heard_age_s,
        note=note,
        remedy=remedy,
    )


def _clock_ahead_s(one: MountTold, heard_age_s: float | None, now_s: float) -> float:
    """Return by how much this display's clock is ahead of the service's; 0 where they may agree.

    A service that the broker holds for online and that was last heard hours before anybody listened
    has another clock: it says something twice a minute.
    """
    told = one.told.get("availability")
    if told is None or told.payload != "online" or heard_age_s is None:
        return 0.0
    ahead_s = heard_age_s - (now_s - one.since_s)
    return ahead_s if ahead_s > _CLOCKS_DIFFER_S else 0.0


def _measured(one: MountTold, now_s: float) -> tuple[Mapping[str, Any], float | None]:
    """Return the newest of survey and correction, and its age (s)."""
    best: tuple[Mapping[str, Any], float | None] = ({}, None)
    for topic, older in (("survey", "age_s"), ("correction", "frame_age_s")):
        body, at_s = one.body(topic), one.at_s(topic)
        if _number(body, "total_error_arcmin") is None:
            continue
        age_s = None
        # An earlier run's survey by a clock that stands before it has the age null.
        unknown = topic == "survey" and older in body and _number(body, older) is None
        if at_s is not None and not unknown:
            age_s = max(now_s - at_s, 0.0) + (_number(body, older) or 0.0)
        newer = age_s is not None and (best[1] is None or age_s <= best[1])
        if not best[0] or newer:
            best = (body, age_s)
    return best


def _is_live(one: MountTold, age_s: float | None) -> bool:
    correction = one.body("correction")
    valid_s = _number(correction, "valid_s") or _VALID_S
    return correction.get("live") is True and age_s is not None and age_s < valid_s


def _standing(
    one: MountTold,
    found: Mapping[str, Any],
    age_s: float | None,
    heard_age_s: float | None,
    now_s: float,
) -> tuple[Standing, str, str]:
    """Return how a mount stands, why, and what to do."""
    state = one.body("state")
    phase = _text(state, "state")
    event, event_s = one.body("event"), one.at_s("event")
    if event and event_s is not None and now_s - event_s < _MAY_MOVE_S:
        return Standing.MAY_MOVE, _text(event, "text") or "", _text(event, "remedy") or ""
    told = one.told.get("availability")
    heard = "" if heard_age_s is None else f"last heard {lapse_words(heard_age_s)} ago"
    if told is not None and told.payload == "offline":
        if phase in _AT_WORK or phase == "blocked":
            why = _text(state, "reason") or f"it went away while {phase}"
            return Standing.LOST, _joined(why, heard), "See to its computer, power and network."
        return Standing.OFF, heard, ""
    if "health" in one.told and heard_age_s is not None and heard_age_s > QUIET_S:
        return Standing.QUIET, heard, "See to its computer, power and network."
    if phase == "blocked":
        why = _text(state, "reason") or "it does not say why"
        return Standing.BLOCKED, why, _text(state, "remedy") or ""
    if alarm := _alarm(one, age_s, now_s):
        return Standing.MOVED, alarm, "Survey it again before its next exposure."
    verdict, known_age_s = _text(found, "verdict"), age_s
    note = _text(state, "reason") or ""
    remedy = _text(state, "remedy") or "" if note else ""
    last, verified_age_s = _verification(one, now_s)
    if verified_age_s is not None and (age_s is None or verified_age_s <= age_s):
        verdict, known_age_s = _text(last, "verdict"), verified_age_s
        if verdict != "good_enough":
            note, remedy = _text(last, "words") or "", _text(last, "remedy") or ""
            if last.get("moved") is True:
                return Standing.MOVED, note, remedy
    match verdict:
        case "good_enough" if known_age_s is None or known_age_s > HOLDS.total_seconds():
            when = "once" if known_age_s is None else f"{lapse_words(known_age_s)} ago"
            note = f"it was good enough {when}, and nobody has looked since"
            return Standing.NOT_MEASURED, note, "Verify it, or survey it again."
        case "good_enough":
            return Standing.GOOD_ENOUGH, note, remedy
        case "not_yet":
            return Standing.NOT_YET, note, remedy
        case "cannot_tell":
            return Standing.CANNOT_TELL, note, remedy
        case _:
            return Standing.NOT_MEASURED, note, remedy


def _verification(one: MountTold, now_s: float) -> tuple[Mapping[str, Any], float | None]:
    """Return the last verification and its age (s); None: there was none, or nobody knows when."""
    schedule, told_s = one.body("schedule"), one.at_s("schedule")
    last = schedule.get("last")
    if not isinstance(last, dict):
        return {}, None
    verified, told = instant_of(last.get("verified")), instant_of(schedule.get("at"))
    if verified is None or told is None or told_s is None:
        return last, None
    # Both by the service's own clock.
    return last, max(now_s - told_s, 0.0) + max((told - verified).total_seconds(), 0.0)


def _alarm(one: MountTold, measured_age_s: float | None, now_s: float) -> str:
    """Return what the watch says of an axis that moved since it was measured last; else nothing."""
    watch, told_s = one.body("watch"), one.at_s("watch")
    alarms = watch.get("alarms")
    last = alarms[-1] if isinstance(alarms, list) and alarms else None
    if not isinstance(last, dict):
        return ""
    noticed, told = instant_of(last.get("noticed")), instant_of(watch.get("at"))
    if noticed is not None and told is not None and told_s is not None:
        # Both by the service's own clock.
        age_s = max(now_s - told_s, 0.0) + max((told - noticed).total_seconds(), 0.0)
        if measured_age_s is not None and measured_age_s < age_s:
            return ""
    size, sigma = _number(last, "size_arcmin"), _number(last, "altitude_move_sigma_arcmin")
    how_far = "" if size is None else f"by {size:.1f} arcmin"
    if how_far and sigma is not None:
        how_far += f" +- {sigma:.1f}"
    count = f", {len(alarms)} alarms" if isinstance(alarms, list) and len(alarms) > 1 else ""
    return _joined(f"the axis moved {how_far}".rstrip() + count, _text(last, "words") or "")


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


def _number(body: Mapping[str, Any], name: str) -> float | None:
    value = body.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    # The size first: a whole number of 400 digits is no float.
    return float(value) if abs(value) < _LARGEST and math.isfinite(value) else None


def _text(body: Mapping[str, Any], name: str) -> str | None:
    value = body.get(name)
    return (plain_words(value) or None) if isinstance(value, str) else None


def plain_words(text: str) -> str:
    """Return somebody's words without control characters, which a terminal would obey."""
    plain = "".join(letter if letter.isprintable() else " " for letter in text[:1000])
    return plain.strip()


def instant_of(text: object) -> datetime | None:
    """Return an instant with its zone; None where the text is none."""
    if not isinstance(text, str):
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
