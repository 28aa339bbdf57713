"""Metrics: the table of all of them, from messages of which each is an example."""

import json
from typing import Any

from polewright.adapters.metrics.figures import Figures
from tests.docs.blocks import table

Message = dict[str, Any]

AT = "2026-11-25T20:00:00.000Z"
STATE = {"v": 1, "at": AT, "state": "adjusting", "since": AT, "step": "turn", "frames": 3}
HEALTH = {
    "v": 1, "at": AT, "uptime_s": 60.0,
    "indi": {"connected": True, "problem": None, "camera": "Hoopoe", "mount": "Kudu"},
    "broker": {
        "connected": False, "connections": 2, "protocol": "5", "echo": "passed",
        "dropped_messages": 4, "dropped_commands": 0, "problem": "gone",
    },
    "clock": {"disciplined": None, "correction_s": -1.5},
    "page": {"served": True, "problem": None, "offers_motors": False},
    "journal_problem": None, "disk_free_mb": 1200, "temperatures_c": {'cpu "a"\\b': 51.5},
    "versions": {"polewright": "0.1.0", "contract": 1, "python": "3.11.2"},
}  # fmt: skip
CORRECTION = {
    "v": 1, "at": AT, "sequence": 3, "altitude_error_arcmin": 3.0,
    "altitude_error_sigma_arcmin": 0.1, "azimuth_error_arcmin": -6.0,
    "azimuth_error_sigma_arcmin": 0.1, "azimuth_error_on_sky_arcmin": -4.5,
    "total_error_arcmin": 5.4, "total_error_sigma_arcmin": 0.12, "altitude_words": "lower",
    "azimuth_words": "east", "altitude_turns": None, "azimuth_turns": None, "closeness": 40,
    "tolerance_arcmin": 1.0, "verdict": "not_yet", "live": True, "frame_age_s": 1.25,
    "latency_ms": 250.0,
}  # fmt: skip
SURVEY = {
    "v": 1, "at": AT, "method": "stars", "target_pole": "refracted", "axis_altitude_deg": 32.4,
    "axis_azimuth_deg": 180.1, "altitude_error_arcmin": 3.0, "altitude_error_sigma_arcmin": 0.1,
    "azimuth_error_arcmin": -6.0, "azimuth_error_sigma_arcmin": 0.1,
    "azimuth_error_on_sky_arcmin": -4.5, "total_error_arcmin": 5.4,
    "total_error_sigma_arcmin": 0.12, "chi2": 3.0, "degrees_of_freedom": 4, "frames": 5,
    "sweep_deg": 60.0, "tolerance_arcmin": 1.0, "verdict": "not_yet",
}  # fmt: skip
WATCH = {
    "v": 1, "at": AT, "watching": True, "believed_since": AT, "looked_at": "frames of others",
    "frames": 3, "unsolved_frames": 0, "guide_offsets": 0, "last_frame": AT,
    "last_guide_offset": None, "mount_vouches": True, "alarms": [],
}  # fmt: skip
EVENT = {"v": 1, "at": AT, "level": "warning", "code": "moved", "text": "the axis moved"}

EXAMPLES: tuple[tuple[str, Message], ...] = (
    ("state", STATE),
    ("event", EVENT),
    ("health", HEALTH | {"clock": {"disciplined": True, "correction_s": 0.0}}),
    ("survey", SURVEY),
    ("correction", CORRECTION),
    ("watch", WATCH),
)


def metrics() -> str:
    """Return every metric with its kind, labels and meaning."""
    figures = Figures()
    for topic, message in EXAMPLES:
        figures.hear(topic, json.dumps(message), True)
    rows = []
    for family in figures.families():
        labels = sorted({f"`{label}`" for labels, _ in family.samples for label in labels})
        rows.append((f"`{family.name}`", family.kind, ", ".join(labels), family.text))
    return table(("metric", "kind", "labels", "what"), rows)
