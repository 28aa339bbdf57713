"""Exposition: metric families as the text that Prometheus reads, version 0.0.4.

Source: Prometheus documentation, "Exposition formats" and "Metric and label naming".
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

Sample = tuple[Mapping[str, str], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """One metric: its name with its unit, what it says, and its samples by labels.

    A counter's name ends in ``_total``.
    """

    name: str
    kind: Literal["gauge", "counter"]
    text: str
    samples: tuple[Sample, ...]


def gauge(name: str, text: str, value: float | None) -> Family:
    """Return a gauge without labels; one without a value has no sample."""
    samples: tuple[Sample, ...] = () if value is None else (({}, float(value)),)
    return Family(name=name, kind="gauge", text=text, samples=samples)


def exposed(families: Iterable[Family]) -> str:
    """Return the text; families without samples are left out."""
    lines: list[str] = []
    for family in families:
        if not family.samples:
            continue
        lines.append(f"# HELP {family.name} {_help(family.text)}")
        lines.append(f"# TYPE {family.name} {family.kind}")
        lines += [f"{family.name}{_labels(labels)} {_number(v)}" for labels, v in family.samples]
    return "\n".join(lines) + "\n"


def _labels(labels: Mapping[str, str]) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{name}="{_value(text)}"' for name, text in labels.items()) + "}"


def _help(text: str) -> str:
    return text.replace("\\", r"\\").replace("\n", r"\n")


def _value(text: str) -> str:
    return _help(text).replace('"', r"\"")


def _number(value: float) -> str:
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return repr(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
