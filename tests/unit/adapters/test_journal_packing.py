"""Records as bytes: every bit comes back, and bytes that are not whole are refused."""

import json
import math
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.journal import packing
from polewright.adapters.journal.packing import DamagedRecordError, pack, unpack
from polewright.core.records import FrameRecord, SurveyRecord
from tests.unit.adapters.journal_records import frame_record, survey_record


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True, kw_only=True)
class Inner:
    size: float
    names: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Outer:
    inner: Inner
    at: datetime
    colour: Colour = Colour.RED
    count: int = 0
    sure: bool = False
    perhaps: float | None = None
    pair: tuple[float, int] = (0.0, 0)


@dataclass(frozen=True, kw_only=True)
class OuterOfLater:
    """The same kind of record after a field was added and one was removed."""

    inner: Inner
    at: datetime
    gained: float = 7.0


@dataclass(frozen=True, kw_only=True)
class OuterWithMore:
    inner: Inner
    needed: float


NOW = datetime(2026, 11, 25, 20, 0, 0, 123456, tzinfo=UTC)


@given(st.floats(), st.floats(), st.none() | st.floats(), st.integers(-(2**60), 2**60))
def test_every_float_comes_back_bit_for_bit(one, two, three, count):
    record = Outer(
        inner=Inner(size=one, names=("a", "ü")), at=NOW, perhaps=three, pair=(two, count)
    )
    again = unpack(Outer, pack(record))
    assert _same(again.inner.size, one)
    assert _same(again.pair[0], two)
    assert again.pair[1] == count
    assert (again.perhaps is None) if three is None else _same(again.perhaps, three)
    assert again.at == NOW
    assert again.inner.names == ("a", "ü")
    assert again.colour is Colour.RED


def _same(one: float, other: float) -> bool:
    both_nan = math.isnan(one) and math.isnan(other)
    return both_nan or struct.pack("<d", one) == struct.pack("<d", other)


def test_arrays_come_back_bit_for_bit_whatever_their_layout():
    frame = frame_record(3)
    again = unpack(FrameRecord, pack(frame))
    for name in ("star_icrs", "star_tangent", "star_sigma_px", "camera_from_icrs"):
        before, after = getattr(frame.attitude, name), getattr(again.attitude, name)
        assert before.tobytes() == after.tobytes()
        assert before.shape == after.shape
        assert after.flags.c_contiguous
        assert not after.flags.writeable
    assert again.orientation == frame.orientation
    assert again.place == frame.place
    assert again.observed.label == frame.observed.label
    assert again.attitude.mid_exposure == frame.attitude.mid_exposure


def test_a_survey_comes_back_whole():
    survey = survey_record(4)
    assert pack(unpack(SurveyRecord, pack(survey))) == pack(survey)


def test_a_column_major_array_keeps_its_shape():
    frame = frame_record(1)
    turned = np.asfortranarray(np.arange(12.0).reshape(4, 3))
    arrays: list[bytes] = []
    plain = packing._plain(turned, arrays)
    restored = packing._array(json.loads(json.dumps(plain)), memoryview(arrays[0]))
    assert np.array_equal(restored, turned)
    assert frame.attitude.star_icrs.shape == (30, 3)


@given(st.data())
def test_cut_or_altered_bytes_are_refused_not_believed(data):
    whole = pack(survey_record(2))
    if data.draw(st.booleans()):
        broken = whole[: data.draw(st.integers(0, len(whole) - 1))]
    else:
        at = data.draw(st.integers(0, len(whole) - 1))
        broken = whole[:at] + bytes([whole[at] ^ (1 << data.draw(st.integers(0, 7)))])
        broken += whole[at + 1 :]
    with pytest.raises(DamagedRecordError):
        unpack(SurveyRecord, broken)


@given(st.binary(max_size=200))
def test_any_other_bytes_are_refused(data):
    with pytest.raises(DamagedRecordError):
        unpack(SurveyRecord, data)


@pytest.mark.parametrize("data", [None, 3, 2.5, "text"])
def test_what_is_not_bytes_is_refused(data):
    with pytest.raises(DamagedRecordError):
        unpack(SurveyRecord, data)


def _sealed(header: object, arrays: bytes = b"") -> bytes:
    """Bytes with a right digest, as a malicious hand would make them."""
    text = header if isinstance(header, bytes) else json.dumps(header).encode()
    body = struct.pack("<4sI", b"PWR1", len(text)) + text + arrays
    return body + packing._digest(body)


@pytest.mark.parametrize(
    "header",
    [
        [], None, 3, {}, {"inner": 5}, b"\xff\xfe", b"{", b"[" * 5000,
        {"inner": {"size": "big"}, "at": NOW.isoformat()},
        {"inner": {"size": 1.0}, "at": "2026-11-25T20:00:00"},
        {"inner": {"size": 1.0}, "at": NOW.isoformat(), "colour": "mauve"},
        {"inner": {"size": 1.0}, "at": NOW.isoformat(), "pair": [1.0]},
    ],
    ids=range(12),
)  # fmt: skip
def test_a_sealed_record_of_nonsense_is_refused(header):
    with pytest.raises(DamagedRecordError):
        unpack(Outer, _sealed(header))


@pytest.mark.parametrize(
    ("start", "shape"),
    [(0, [3]), (-8, [1]), (0, [-1]), (0, [2**62, 4]), (8, [2]), (0, [1e9]), (0, ["x"]), (0, None)],
)
def test_an_array_outside_its_record_is_refused(start, shape):
    array = memoryview(b"\0" * 16)
    with pytest.raises((ValueError, TypeError, OverflowError)):
        packing._array({"$array": start, "shape": shape}, array)


def test_a_field_gained_since_takes_its_default_and_one_lost_is_passed_over():
    old = pack(Outer(inner=Inner(size=1.5), at=NOW, count=3))
    assert unpack(OuterOfLater, old) == OuterOfLater(inner=Inner(size=1.5), at=NOW, gained=7.0)


def test_a_field_without_default_that_is_missing_is_refused():
    with pytest.raises(DamagedRecordError, match="needed"):
        unpack(OuterWithMore, pack(Outer(inner=Inner(size=1.5), at=NOW)))


def test_what_has_no_place_in_a_record_is_a_bug():
    with pytest.raises(TypeError, match="cannot be packed"):
        pack(Inner(size=1.0, names=(object(),)))  # type: ignore[arg-type]
