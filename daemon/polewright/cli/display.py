"""What a terminal knows of an evening: the topics as they came, and what follows from them."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from polewright.session.mount_standing import instant_of

# A correction that nobody renews is history; the service itself says so at the same time (s).
_VALID_S = 30.0
# An event is news for this long (s).
_NEWS_S = 120.0

STRANGE = (
    "what comes at these topics is not understood: another version of polewright says it, or "
    "somebody else"
)
# Whoever may write to the broker may say anything at the topics that a display reads.
NOT_UNDERSTOOD = (LookupError, TypeError, ValueError, AttributeError, ArithmeticError)

VERDICT_WORDS = {
    "good_enough": "GOOD ENOUGH - leave the bolts",
    "not_yet": "NOT YET - turn on",
    "cannot_tell": "CANNOT TELL - the measurement is too uncertain",
}


@dataclass
class EveningView:
    """What the topics have said so far."""

    topics: dict[str, Any] = field(default_factory=dict)
    correction_at_s: float = 0.0
    event_at_s: float = 0.0
    link: str = ""
    monotonic: Callable[[], float] = time.monotonic

    def take(self, topic: str, payload: object) -> None:
        """Take one message."""
        self.topics[topic] = payload
        if topic == "correction":
            self.correction_at_s = self.monotonic()
        elif topic == "event":
            self.event_at_s = self.monotonic()

    def lose(self, trouble: str) -> None:
        """Take note that the broker cannot be heard: nothing is live until it is."""
        self.link = trouble
        # One that kept nothing over its restart says no more of a service that died meanwhile.
        for topic in ("correction", "availability"):
            self.topics.pop(topic, None)

    def find(self) -> None:
        """Take note that the broker is heard."""
        self.link = ""

    def message(self, topic: str) -> dict[str, Any]:
        """Return the last JSON message of a topic; empty where there is none."""
        told = self.topics.get(topic)
        return told if isinstance(told, dict) else {}

    @property
    def online(self) -> bool:
        """True where the service says that it is there."""
        return self.topics.get("availability") == "online"

    @property
    def live(self) -> bool:
        """True where the correction is live and fresh."""
        correction = self.message("correction")
        valid_s = correction.get("valid_s") or _VALID_S
        return bool(correction.get("live")) and self.online and self.age_s < valid_s

    @property
    def age_s(self) -> float:
        """How old the newest correction's frame is (s)."""
        frame_age_s = float(self.message("correction").get("frame_age_s") or 0.0)
        return self.monotonic() - self.correction_at_s + frame_age_s

    @property
    def news(self) -> dict[str, Any]:
        """The last event while it is news; else empty."""
        fresh = self.monotonic() - self.event_at_s < _NEWS_S
        return self.message("event") if fresh else {}

    @property
    def verdict(self) -> str | None:
        """The verdict of what was measured last, live or not; ``cannot_tell``: it moved since."""
        found = self._newest
        if not found:
            return None
        return "cannot_tell" if self._alarm else str(found.get("verdict"))

    @property
    def _newest(self) -> dict[str, Any]:
        """The survey, or the correction where an adjustment came after it; empty: neither."""
        survey, correction = self.message("survey"), self.message("correction")
        if not correction.get("sequence"):
            return survey if survey.get("method") else {}
        measured, adjusted = instant_of(survey.get("at")), instant_of(correction.get("at"))
        if measured is None or adjusted is None or "age_s" in survey:
            return correction
        return survey if measured > adjusted else correction

    @property
    def _alarm(self) -> str:
        """What the watch says of an axis that moved since it was measured; else nothing."""
        alarms = self.message("watch").get("alarms")
        last = alarms[-1] if isinstance(alarms, list) and alarms else None
        if not isinstance(last, dict):
            return ""
        noticed = instant_of(last.get("noticed"))
        # An earlier run's survey is told anew at every start: when it was made is not said there.
        measured = None if "age_s" in self._newest else instant_of(self._newest.get("at"))
        if measured is not None and noticed is not None and noticed < measured:
            return ""
        when = "" if noticed is None else f", noticed at {noticed.astimezone(UTC):%H:%M} UTC"
        return f"THE AXIS MOVED since it was measured{when}: {last.get('words')}. Survey again."

    def as_message(self) -> dict[str, Any]:
        """Return the state, survey and correction as one object."""
        names = ("availability", "state", "site", "survey", "correction", "schedule")
        return {name: self.topics.get(name) for name in names}

    def lines(self) -> list[str]:
        """Return the same as a few lines of text."""
        try:
            return self._lines()
        except NOT_UNDERSTOOD:
            return [STRANGE]

    def _lines(self) -> list[str]:
        state = self.topics.get("state") or {}
        lines = [f"{state.get('state', 'unknown')}: {state.get('step') or 'nothing running'}"]
        if self.live:
            correction = self.topics["correction"]
            lines = [
                verdict_line(correction),
                *_meaning(correction),
                f"  {correction['altitude_words']}",
                f"  {correction['azimuth_words']}",
                *lines,
            ]
        if state.get("reason"):
            lines.append(f"  {state['reason']}. {state.get('remedy') or ''}")
        if alarm := self._alarm:
            lines.append(alarm)
        site = self.topics.get("site")
        if isinstance(site, dict):
            lines += _site_lines(site)
        survey = self.topics.get("survey")
        if isinstance(survey, dict):
            lines.append(f"last survey: {_figures(survey)}{_age(survey)}")
            lines += _meaning(survey)
        elif state.get("state") == "idle" and not self.live:
            lines.append(
                "no survey yet; next: see that the mount is clear, then `polewright survey --clear`"
            )
        if last := self.message("schedule").get("last"):
            lines.append(f"last verification, {_utc(last['verified'])}: {last['words']}")
        if due := self.message("schedule").get("next"):
            lines.append(f"next verification: {_utc(due['due'])}")
        if plan := self.message("schedule").get("plan"):
            lines.append(f"plan: {plan['words']}")
        correction = self.topics.get("correction")
        if isinstance(correction, dict) and not self.live and correction.get("sequence"):
            lines.append(f"last correction: {_figures(correction)}, no longer live")
        return lines


def verdict_line(message: dict[str, Any]) -> str:
    """Return the verdict of a survey or a correction, and how far off the axis is, as one line."""
    line = (
        f"{VERDICT_WORDS[str(message['verdict'])]}: off by "
        f"{message['total_error_arcmin']:.2f} arcmin +- {message['total_error_sigma_arcmin']:.2f}"
    )
    tolerance = message.get("tolerance_arcmin")
    return f"{line}; {tolerance:.2f} is good enough" if tolerance else line


def on_sky_words(message: dict[str, Any]) -> str:
    """Return why an azimuth is larger than the total, where it is; else nothing."""
    azimuth = abs(message["azimuth_error_arcmin"])
    on_sky = message.get("azimuth_error_on_sky_arcmin")
    if on_sky is None or azimuth <= message["total_error_arcmin"]:
        return ""
    return (
        f"{azimuth:.2f} arcmin of the head's turn move the axis by only {abs(on_sky):.2f} on the "
        "sky, since it is tilted up"
    )


def _meaning(message: dict[str, Any]) -> list[str]:
    """Return what a survey or a correction means for the plan, as a line, where it says so."""
    words = message.get("meaning")
    return [f"  for the plan: {words}"] if words else []


def _site_lines(site: dict[str, Any]) -> list[str]:
    kept = {True: ", set right from outside", False: ", which nobody sets right"}
    lines = [
        f"place: {site['latitude_deg']:+.2f} {site['longitude_deg']:+.2f} deg, from "
        f"{site['place_source'] or 'the service'}; time from {site['time_source']}"
        f"{kept.get(site['clock_disciplined'], '')}"
    ]
    return lines + [
        f"  {doubt['text']}; {doubt['consequence']}. {doubt['remedy']}" for doubt in site["doubts"]
    ]


def _figures(message: dict[str, Any]) -> str:
    return (
        f"off by {message['total_error_arcmin']:.2f} arcmin "
        f"(+- {message['total_error_sigma_arcmin']:.2f}), "
        f"{str(message['verdict']).replace('_', ' ')}"
    )


def _utc(text: str) -> str:
    return f"{datetime.fromisoformat(text).astimezone(UTC):%H:%M} UTC"


def _age(survey: dict[str, Any]) -> str:
    if "age_s" not in survey:
        return ""
    age_s = survey["age_s"]
    if age_s is None:
        return ", from an earlier run, at a time that the service's clock has not reached yet"
    return f", {age_s / 3600.0:.1f} h old, from an earlier run"
