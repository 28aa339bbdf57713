"""Readings: what a sensor says at an instant, out of a line of JSON, turned into place, averaged.

A line is one object with one or more of these, each a list of three finite numbers::

    {"gravity_ms2": [0.1, 8.2, 5.3], "field_ut": [3.0, -10.1, -21.0], "rate_deg_s": [0, 0, 0]}

Axes and signs as in :mod:`polewright_drivers.indi.attitude`; anything else in the object is left
unread.
"""

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

LONGEST_LINE_BYTES = 4096
_LIMITS = {"gravity_ms2": 200.0, "field_ut": 10000.0, "rate_deg_s": 4000.0}
# More between two looks is not parsed: a flood must not stop the driver.
_MOST_AT_ONCE = 200


class BadReadingError(ValueError):
    """A line or an arrangement of axes cannot be used; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """One reading; None: not told.

    Attributes
    ----------
    gravity_ms2, field_ut, rate_deg_s : ndarray of shape (3,) or None
        As in :mod:`polewright_drivers.indi.attitude`.
    """

    gravity_ms2: Vector | None = None
    field_ut: Vector | None = None
    rate_deg_s: Vector | None = None


def parse(line: bytes) -> Reading:
    """Return the reading of a line.

    Raises
    ------
    BadReadingError
        It is no reading.
    """
    if len(line) > LONGEST_LINE_BYTES:
        raise BadReadingError(f"a line is longer than {LONGEST_LINE_BYTES} bytes")
    try:
        told = json.loads(line)
    except (ValueError, RecursionError):
        raise BadReadingError("a line is not JSON") from None
    if not isinstance(told, dict):
        raise BadReadingError("a line is not a JSON object")
    found = {name: _three(name, told[name]) for name in _LIMITS if told.get(name) is not None}
    if not found:
        raise BadReadingError(f"a line has none of {', '.join(_LIMITS)}")
    return Reading(**found)


def _three(name: str, value: object) -> Vector:
    if not isinstance(value, list) or len(value) != 3:
        raise BadReadingError(f"{name} is not a list of three numbers")
    for part in value:
        number = isinstance(part, int | float) and not isinstance(part, bool)
        # The limit first: a whole number of 400 digits is no float.
        if not number or abs(part) > _LIMITS[name] or not math.isfinite(part):
            raise BadReadingError(f"{name}: {str(part)[:40]} is no number within {_LIMITS[name]:g}")
    return np.array(value, dtype=float)


def axes_of(text: str) -> Matrix:
    """Return the rotation from the source's axes to the device's, from a text like ``x,-z,y``.

    The text names, for X, Y and Z of the device, the axis of the source that points there.

    Raises
    ------
    BadReadingError
        It is not three different axes, or mirrors them.
    """
    names = [part.strip().lower() for part in text.split(",")]
    matrix = np.zeros((3, 3))
    if len(names) != 3 or sorted(name.lstrip("+-") for name in names) != ["x", "y", "z"]:
        raise BadReadingError(f"{text!r} is not three axes like x,-z,y")
    for row, name in enumerate(names):
        matrix[row, "xyz".index(name[-1])] = -1.0 if name.startswith("-") else 1.0
    if np.linalg.det(matrix) < 0.0:
        raise BadReadingError(f"{text!r} mirrors the axes: turn one sign")
    return matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrangement:
    """How a source's axes lie in the device, and which way its gravity counts.

    ``gravity_down``: the source tells where weight pulls, not what holds against it.
    """

    axes: Matrix = field(default_factory=lambda: np.eye(3))
    field_axes: Matrix = field(default_factory=lambda: np.eye(3))
    gravity_down: bool = False

    def applied(self, reading: Reading) -> Reading:
        """Return a reading in the device's axes and signs."""
        sign = -1.0 if self.gravity_down else 1.0

        def turned(matrix: Matrix, vector: Vector | None) -> Vector | None:
            return None if vector is None else np.asarray(matrix @ vector)

        return Reading(
            gravity_ms2=turned(sign * self.axes, reading.gravity_ms2),
            field_ut=turned(self.field_axes, reading.field_ut),
            rate_deg_s=turned(self.axes, reading.rate_deg_s),
        )


class Mean:
    """The mean of the readings since the last look."""

    def __init__(self) -> None:
        self._start()

    def _start(self) -> None:
        self._sums = {f.name: np.zeros(3) for f in fields(Reading)}
        self._counts = {f.name: 0 for f in fields(Reading)}
        self._lines = 0

    @property
    def full(self) -> bool:
        """True where more readings are not worth their time."""
        return self._lines >= _MOST_AT_ONCE

    def add(self, reading: Reading) -> None:
        """Take one reading."""
        self._lines += 1
        for name in self._sums:
            value = getattr(reading, name)
            if value is not None:
                self._sums[name] += value
                self._counts[name] += 1

    def take(self) -> Reading:
        """Return the mean of each kind (None where none came) and start anew."""
        told = {name: self._sums[name] / n for name, n in self._counts.items() if n}
        self._start()
        return Reading(**told)


def lines_of(data: bytes) -> Iterable[bytes]:
    """Return the lines of a piece of data that are not empty."""
    return (line for line in data.splitlines() if line.strip())
