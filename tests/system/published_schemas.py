"""Holds messages against the schemas as they are published, apart from the models behind them."""

import json
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

from jsonschema import Draft7Validator, FormatChecker

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"

_formats = FormatChecker(formats=())


@_formats.checks("date-time", raises=ValueError)
def _is_instant(value: object) -> bool:
    """RFC 3339, section 5.6: an instant has a zone."""
    return not isinstance(value, str) or datetime.fromisoformat(value).tzinfo is not None


class PublishedSchemas:
    """Judges messages; ``counts`` tells how many there were by schema, ``problems`` what is wrong.

    A bare scalar is judged as the text that it is.
    """

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.problems: list[str] = []
        self._validators: dict[str, Draft7Validator] = {}
        for path in SCHEMAS.glob("*.json"):
            schema = json.loads(path.read_text("utf-8"))
            self._validators[path.stem] = Draft7Validator(schema, format_checker=_formats)

    def judge(self, topic: str, payload: bytes) -> None:
        """Judge a message on a topic below the mount's root."""
        name = "reply" if topic.startswith("reply/") else topic.replace("/", ".")
        self.counts[name] += 1
        if name not in self._validators:
            self.problems.append(f"{topic}: no schema")
            return
        text = payload.decode("utf-8")
        value: Any = text
        if "{" in text[:1]:
            value = json.loads(text)
        for error in self._validators[name].iter_errors(value):
            self.problems.append(f"{topic}: {list(error.absolute_path)} {error.message[:200]}")
