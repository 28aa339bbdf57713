"""Dice: bytes of a fuzzing engine become choices, so that one grammar serves every engine."""

import json
import struct
from collections.abc import Sequence
from typing import Any, TypeVar

T = TypeVar("T")

FLOATS = (
    0.0, -0.0, 1.0, -1.0, 0.5, 12.75, 90.0, -90.0, 180.0, 359.999, 1e-300, 1e18, -1e18, 1e308,
    -1e308, float("inf"), float("-inf"), float("nan"), 2.0**31, 2.0**63, 65536.0,
)  # fmt: skip
INTEGERS = (0, 1, 2, 3, -1, 15, 16, 64, 255, 65536, 2**31, -(2**31), 2**63, 2**64, 10**30, 10**400)
TEXTS = (
    "", "0", "On", "Ok", "nan", "-inf", "1e999", "9" * 40, "12:34:56", "-0:00:00.1", "a\nb", "\x00",
    "\x85", "\u2028", "\ud800", "\u202e", "é", "𝄞", "../../etc/passwd", "%s%n{}", "<&\"'>",
    "polewright/kudu/#", "+", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59Z",
    "2026-11-25T20:00:00", "2026-11-25T20:00:00Z", "Kudu", "Hoopoe", "x" * 300,
)  # fmt: skip


class Dice:
    """Throws what the bytes say; zeros once they are used up."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    @property
    def left(self) -> int:
        return len(self._data) - self._at

    def take(self, count: int) -> bytes:
        piece = self._data[self._at : self._at + count]
        self._at += len(piece)
        return piece

    def rest(self) -> bytes:
        return self.take(self.left)

    def below(self, limit: int) -> int:
        if limit <= 256:
            piece = self.take(1)
            return piece[0] % limit if piece else 0
        return int.from_bytes(self.take(4), "little") % limit

    def pick(self, choices: Sequence[T]) -> T:
        return choices[self.below(len(choices))]

    def one_in(self, odds: int) -> bool:
        return self.below(odds) == 1

    def text(self) -> str:
        match self.below(4):
            case 0:
                return self.take(self.below(24)).decode("utf-8", "replace")
            case 1:
                return self.take(self.below(24)).decode("latin-1")
            case _:
                return self.pick(TEXTS)

    def number(self) -> float:
        if self.one_in(3):
            piece = self.take(8).ljust(8, b"\0")
            return float(struct.unpack("<d", piece)[0])
        return self.pick(FLOATS)

    def json(self, depth: int = 3) -> Any:
        match self.below(9 if depth else 6):
            case 0:
                return None
            case 1:
                return self.one_in(2)
            case 2:
                return self.pick(INTEGERS)
            case 3:
                return self.number()
            case 4 | 5:
                return self.text()
            case 6:
                return [self.json(depth - 1) for _ in range(self.below(5))]
            case _:
                return {self.text(): self.json(depth - 1) for _ in range(self.below(5))}

    def json_like(self, schema: dict[str, Any], odd: int = 6) -> Any:
        """Throw what a JSON schema asks for, mostly."""
        if self.one_in(odd):
            return self.json()
        if "anyOf" in schema:
            return self.json_like(self.pick(schema["anyOf"]), odd)
        if "enum" in schema:
            return self.pick(schema["enum"])
        if "const" in schema:
            return schema["const"]
        match schema.get("type"):
            case "object":
                return {
                    name: self.json_like(inner, odd)
                    for name, inner in schema.get("properties", {}).items()
                    if name in schema.get("required", ()) or self.one_in(3)
                }
            case "array":
                count = self.below(5) or schema.get("minItems", 0)
                return [self.json_like(schema.get("items", {}), odd) for _ in range(count)]
            case "number" | "integer" as kind:
                low = schema.get("minimum", schema.get("exclusiveMinimum", 0))
                high = schema.get("maximum", schema.get("exclusiveMaximum", 1000))
                share = self.below(256) / 255.0
                value = low + share * (high - low)
                return int(value) if kind == "integer" else value
            case "boolean":
                return self.one_in(2)
            case "null":
                return None
        return self.text()


def dumped(value: Any) -> bytes:
    """Return JSON as Python writes it, NaN and lone surrogates included."""
    return json.dumps(value).encode()
