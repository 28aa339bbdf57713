"""Packing: a record as bytes that say themselves what they hold, and prove that they are whole.

Four bytes that name the format, the header's length (little-endian), a JSON header, the arrays
as little-endian float64 one after the other, and a digest of all that.  JSON carries a float
with the digits that give the same float back.  A field that a record has gained since takes its
default; one that it has lost is passed over.  Nothing in the bytes is ever executed.
"""

import dataclasses
import hashlib
import json
import struct
import types
import typing
from collections.abc import Mapping
from datetime import datetime
from enum import Enum
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Record = TypeVar("Record")

_FORMAT = b"PWR1"
_HEAD = struct.Struct("<4sI")
_DIGEST_BYTES = 16
_ARRAY = "$array"
_NONSENSE = (
    ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError
)  # fmt: skip


class DamagedRecordError(ValueError):
    """Bytes that are not, or no longer, a record of this kind."""


def pack(record: Any) -> bytes:
    """Return a record (a dataclass) as bytes.

    Raises
    ------
    TypeError
        It holds something that has no place here: a bug.
    """
    arrays: list[bytes] = []
    header = json.dumps(_plain(record, arrays), separators=(",", ":")).encode()
    body = b"".join([_HEAD.pack(_FORMAT, len(header)), header, *arrays])
    return body + _digest(body)


def unpack(kind: type[Record], data: bytes) -> Record:
    """Return the record that bytes hold.

    Raises
    ------
    DamagedRecordError
        They are cut, altered, or of another kind.
    """
    if not isinstance(data, bytes):  # a damaged file may give anything
        raise DamagedRecordError(f"a {type(data).__name__} in place of bytes")
    body, digest = data[:-_DIGEST_BYTES], data[-_DIGEST_BYTES:]
    if len(body) < _HEAD.size or _digest(body) != digest:
        raise DamagedRecordError("the digest does not fit")
    name, length = _HEAD.unpack_from(body)
    if name != _FORMAT:
        raise DamagedRecordError(f"an unknown format, {name!r}")
    try:
        plain = json.loads(body[_HEAD.size : _HEAD.size + length])
        record = _restored(kind, plain, memoryview(body)[_HEAD.size + length :])
    except _NONSENSE as trouble:
        raise DamagedRecordError(f"not a {kind.__name__}: {trouble}") from trouble
    return typing.cast(Record, record)


def _digest(body: bytes) -> bytes:
    return hashlib.blake2b(body, digest_size=_DIGEST_BYTES).digest()


def _plain(value: Any, arrays: list[bytes]) -> Any:
    match value:
        case Enum():
            return value.value
        case None | bool() | str():
            return value
        case int() | np.integer():
            return int(value)
        case float() | np.floating():
            return float(value)
        case datetime():
            return value.isoformat()
        case np.ndarray():
            start = sum(map(len, arrays))
            arrays.append(np.ascontiguousarray(value, dtype="<f8").tobytes())
            return {_ARRAY: start, "shape": list(value.shape)}
        case tuple() | list():
            return [_plain(item, arrays) for item in value]
        case Mapping():
            return {str(key): _plain(item, arrays) for key, item in value.items()}
    if dataclasses.is_dataclass(value):
        return {
            field.name: _plain(getattr(value, field.name), arrays)
            for field in dataclasses.fields(value)
        }
    raise TypeError(f"a {type(value).__name__} cannot be packed")


def _restored(kind: Any, plain: Any, arrays: memoryview) -> Any:
    origin = typing.get_origin(kind) or kind
    choices = typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        if plain is None and types.NoneType in choices:
            return None
        kind = next(choice for choice in choices if choice is not types.NoneType)
        return _restored(kind, plain, arrays)
    # From numpy 2.5 on, NDArray is an alias that typing does not look through.
    if origin is np.ndarray or origin is NDArray:
        return _array(plain, arrays)
    if origin is tuple:
        kinds = choices[:1] * len(plain) if choices[-1] is Ellipsis else choices
        return tuple(_restored(each, item, arrays) for each, item in zip(kinds, plain, strict=True))
    if dataclasses.is_dataclass(origin):
        return _record(origin, plain, arrays)
    if origin is datetime:
        instant = datetime.fromisoformat(plain)
        if instant.tzinfo is None:
            raise ValueError("an instant without a time zone")
        return instant
    if isinstance(origin, type) and issubclass(origin, Enum):
        return origin(plain)
    if origin in (str, bool, int, float):
        if not isinstance(plain, (int, float) if origin is float else origin):
            raise ValueError(f"{plain!r} is not a {origin.__name__}")
        return origin(plain)
    if origin in (Mapping, dict):
        return dict(plain)
    raise TypeError(f"{kind} cannot be restored")


def _record(kind: Any, plain: Any, arrays: memoryview) -> Any:
    hints = typing.get_type_hints(kind)
    return kind(
        **{
            field.name: _restored(hints[field.name], plain[field.name], arrays)
            for field in dataclasses.fields(kind)
            if field.init and (field.name in plain or not _has_default(field))
        }
    )


def _array(plain: Any, arrays: memoryview) -> Any:
    shape = tuple(int(size) for size in plain["shape"])
    start = int(plain[_ARRAY])
    count = int(np.prod(shape, dtype=np.int64))
    if start < 0 or min(shape, default=0) < 0 or start + 8 * count > len(arrays):
        raise ValueError("an array outside the record")
    flat = np.frombuffer(arrays, dtype="<f8", count=count, offset=start)
    return flat.astype(np.float64).reshape(shape)


def _has_default(field: "dataclasses.Field[Any]") -> bool:
    return (
        field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING
    )
