"""Figures: what the service's own messages say, as metrics.

The messages are those of the contract (docs/mqtt.md), so a dashboard shows what displays show.
Where the mount stands is not among the figures.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from typing import Any

from polewright.adapters.metrics.exposition import Family, Sample, exposed, gauge
from polewright.adapters.metrics.process import process_families

Message = Mapping[str, Any]

STATES = (
    "idle", "surveying", "adjusting", "verifying", "star-aligning", "watching", "blocked"
)  # fmt: skip
VERDICTS = ("good_enough", "not_yet", "cannot_tell")

_KEPT = ("state", "health", "survey", "correction", "watch")
_ARCMIN_PER_DEG = 60.0
_BYTES_PER_MB = 1_000_000
# Codes are the program's own, some hundred; more would be a bug that must not grow the memory.
_MOST_CODES = 500

_ERRORS = (
    ("altitude_error", "How far the axis is too high"),
    ("azimuth_error_on_sky", "How far the axis is too far clockwise, on the sky"),
    ("total_error", "How far the axis is off"),
)


class Figures:
    """Hears the messages that are published, and shows them as metrics.

    Parameters
    ----------
    processes : callable
        Returns the figures of the process itself.
    """

    def __init__(self, processes: Callable[[], list[Family]] = process_families) -> None:
        self._last: dict[str, Message] = {}
        self._events: Counter[tuple[str, str]] = Counter()
        self._corrections = 0
        self._surveys = 0
        self._processes = processes

    def hear(self, topic: str, text: str, _retained: bool) -> None:
        """Take note of one message, as it went out."""
        if topic == "event":
            event = json.loads(text)
            key = (event["level"], event["code"])
            if key in self._events or len(self._events) < _MOST_CODES:
                self._events[key] += 1
            return
        if topic not in _KEPT:
            return
        message = self._last[topic] = json.loads(text)
        if topic == "correction":
            self._corrections += bool(message["live"])
        elif topic == "survey" and "age_s" not in message:
            self._surveys += 1  # one of this run, not one that the journal remembers

    def text(self) -> str:
        """Return the exposition."""
        return exposed(self.families())

    def families(self) -> list[Family]:
        """Return all metrics that have a value now."""
        return [
            *self._state(), *self._health(), *self._axis(), *self._watch(), *self._processes()
        ]  # fmt: skip

    def _state(self) -> Iterator[Family]:
        if (state := self._last.get("state")) is not None:
            yield _one_of("polewright_state", "What the service is doing", "state", STATES,
                          state["state"])  # fmt: skip
        yield Family(
            name="polewright_events_total",
            kind="counter",
            text="Notable events, by level and code (docs/troubleshooting.md)",
            samples=tuple(
                ({"level": level, "code": code}, float(count))
                for (level, code), count in sorted(self._events.items())
            ),
        )

    def _health(self) -> Iterator[Family]:
        health = self._last.get("health")
        if health is None:
            return
        broker, clock, versions = health["broker"], health["clock"], health["versions"]
        yield Family(
            name="polewright_info", kind="gauge", text="What runs: always 1",
            samples=(({"version": versions["polewright"], "python": versions["python"]}, 1.0),),
        )  # fmt: skip
        yield gauge("polewright_indi_connected", "1: the devices are connected",
                    health["indi"]["connected"])  # fmt: skip
        yield gauge("polewright_broker_connected", "1: the broker is connected",
                    broker["connected"])  # fmt: skip
        yield gauge("polewright_page_served", "1: the page is served", health["page"]["served"])
        for name, text, value in (
            ("broker_connections", "Times that the broker was connected", broker["connections"]),
            ("dropped_messages", "Messages that could not be sent", broker["dropped_messages"]),
            ("dropped_commands", "Commands that came too fast", broker["dropped_commands"]),
        ):
            yield _counter(f"polewright_{name}_total", text, value)
        yield gauge("polewright_clock_disciplined", "1: the clock is kept right from outside",
                    clock["disciplined"])  # fmt: skip
        yield gauge("polewright_clock_correction_seconds", "What is added to this computer's clock",
                    clock["correction_s"])  # fmt: skip
        yield gauge("polewright_journal_ok", "1: the journal is written without trouble",
                    health["journal_problem"] is None)  # fmt: skip
        free_mb = health["disk_free_mb"]
        yield gauge("polewright_disk_free_bytes", "Room left where the journal is kept",
                    None if free_mb is None else free_mb * _BYTES_PER_MB)  # fmt: skip
        yield Family(
            name="polewright_temperature_celsius", kind="gauge",
            text="What the kernel's sensors say",
            samples=tuple(
                ({"sensor": sensor}, celsius)
                for sensor, celsius in sorted(health["temperatures_c"].items())
            ),
        )  # fmt: skip

    def _axis(self) -> Iterator[Family]:
        yield _counter("polewright_corrections_total", "Live corrections", self._corrections)
        yield _counter("polewright_surveys_total", "Surveys that were finished", self._surveys)
        survey, live = self._last.get("survey"), self._last.get("correction")
        if live is not None and not live["live"]:
            live = None  # history, which no display may show as live
        for of, message in (("survey", survey), ("correction", live)):
            if message is None:
                continue
            for name, text in _ERRORS:
                yield gauge(f"polewright_{of}_{name}_degrees", f"{text}, by the last {of}",
                            _degrees(message.get(f"{name}_arcmin")))  # fmt: skip
            yield gauge(f"polewright_{of}_total_error_sigma_degrees",
                        f"Uncertainty of the total error, by the last {of}",
                        _degrees(message.get("total_error_sigma_arcmin")))  # fmt: skip
            yield gauge(f"polewright_{of}_tolerance_degrees", "How far off the axis may be",
                        _degrees(message.get("tolerance_arcmin")))  # fmt: skip
            yield _one_of(f"polewright_{of}_verdict", f"The verdict of the last {of}", "verdict",
                          VERDICTS, message["verdict"])  # fmt: skip
        if survey is not None:
            yield gauge("polewright_survey_timestamp_seconds", "When the last survey was (Unix)",
                        _instant_s(survey))  # fmt: skip
            yield gauge("polewright_survey_frames", "Frames of the last survey", survey["frames"])
        if live is not None:
            latency_ms = live["latency_ms"]
            yield gauge("polewright_correction_latency_seconds",
                        "From a frame's arrival to its correction",
                        None if latency_ms is None else latency_ms / 1000.0)  # fmt: skip
            yield gauge("polewright_correction_frame_age_seconds",
                        "From the middle of the exposure to its correction",
                        live["frame_age_s"])  # fmt: skip

    def _watch(self) -> Iterator[Family]:
        if (watch := self._last.get("watch")) is None:
            return
        yield gauge("polewright_watch_running", "1: a watch over imaging runs", watch["watching"])
        yield gauge("polewright_watch_alarms", "Times that the axis moved, in this watch",
                    len(watch["alarms"]))  # fmt: skip


def _counter(name: str, text: str, value: float) -> Family:
    return Family(name=name, kind="counter", text=text, samples=(({}, float(value)),))


def _one_of(name: str, text: str, label: str, all_of: tuple[str, ...], now: str) -> Family:
    samples: tuple[Sample, ...] = tuple(({label: one}, float(one == now)) for one in all_of)
    return Family(name=name, kind="gauge", text=f"{text}: 1 for what holds", samples=samples)


def _degrees(arcmin: float | None) -> float | None:
    return None if arcmin is None else arcmin / _ARCMIN_PER_DEG


def _instant_s(survey: Message) -> float:
    told_s = datetime.fromisoformat(survey["at"]).timestamp()
    return round(told_s - (survey.get("age_s") or 0.0), 3)
