"""Blobs: binary contents are taken out of an INDI byte stream and decoded as they arrive.

The library never sees them.  It would read beyond the end of an empty element that declares a
size, go deaf on base64 without line ends, and hold three copies of every frame.
"""

import binascii
import html
import io
import re
from collections import deque
from collections.abc import Iterator
from enum import Enum, auto

from polewright.adapters.indi.snapshot import BlobSnapshot, is_compressed

_OPENING = b"<setBLOBVector"
_CLOSING = b"</setBLOBVector>"
# XML has no bare "<" in attribute values: one there begins another tag.
_TAG = re.compile(rb"<(/?)(\w+)((?:[^<>\"']|\"[^<\"]*\"|'[^<']*')*?)(/?)>")
_TAG_BEGUN = re.compile(
    rb"</?\w*(?:[^<>\"'\w](?:[^<>\"']|\"[^<\"]*\"|'[^<']*')*(?:\"[^<\"]*|'[^<']*)?)?"
)
_ATTRIBUTE = re.compile(rb"(\w+)\s*=\s*(?:\"([^<\"]*)\"|'([^<']*)')")
# Tags of real drivers are under 300 bytes; what is longer than this is no tag.
_LONGEST_TAG_BYTES = 65_536
_WHITE = b" \t\r\n"
# Deliveries that the library's thread has not asked for yet; more are of a property that it does
# not know.
WAITING_DELIVERIES = 2


class _Place(Enum):
    """Where in the stream the next byte belongs."""

    OUTSIDE = auto()
    VECTOR_TAG = auto()
    VECTOR = auto()
    CONTENT = auto()


class BlobFilter:
    """Reads a server's stream and returns it without the contents of its BLOBs.

    Each BLOB vector stays in the stream as an empty one, so that the order of messages is kept:
    whoever reads the rest asks for the contents by :meth:`take` when it meets the vector.

    Attributes
    ----------
    content_bytes : int
        How many encoded bytes of contents have come in so far, those of unfinished ones included.
    summaries : dict
        Of the latest vector of each (device, property): name, format, declared size and size of
        each content.
    """

    def __init__(self) -> None:
        self.content_bytes = 0
        self.summaries: dict[tuple[str, str], tuple[tuple[str, str, int, int], ...]] = {}
        self._place = _Place.OUTSIDE
        self._held = b""
        self._vector_tag = b""
        self._device = self._name = ""
        self._delivery: list[BlobSnapshot] = []
        self._waiting: dict[tuple[str, str], deque[tuple[BlobSnapshot, ...]]] = {}
        self._content = _Content({})

    def take(self, device: str, name: str) -> tuple[BlobSnapshot, ...]:
        """Return the contents of the oldest vector of a property that was not asked for yet."""
        try:
            return self._waiting[device, name].popleft()
        except (KeyError, IndexError):
            return ()

    def feed(self, data: bytes) -> bytes:
        """Take the next bytes of the stream; return what is left of them for others.

        Parameters
        ----------
        data : bytes
            As they came, cut anywhere.
        """
        rest = self._held + data if self._held else data
        self._held = b""
        passed: list[bytes] = []
        while rest:
            match self._place:
                case _Place.OUTSIDE:
                    rest = self._outside(rest, passed)
                case _Place.CONTENT:
                    rest = self._inside_content(rest)
                case _Place.VECTOR_TAG | _Place.VECTOR:
                    rest = self._at_tag(rest, passed)
        return passed[0] if len(passed) == 1 else b"".join(passed)

    def _outside(self, rest: bytes, passed: list[bytes]) -> bytes:
        """Pass everything on up to the next vector."""
        start = rest.find(_OPENING)
        if start >= 0:
            passed.append(rest[:start])
            self._place = _Place.VECTOR_TAG
            return rest[start:]
        # The chunk may end amid the opening.
        last = rest.rfind(b"<", max(0, len(rest) - len(_OPENING)))
        if last >= 0 and _OPENING.startswith(rest[last:]):
            self._held = rest[last:]
            rest = rest[:last]
        passed.append(rest)
        return b""

    def _inside_content(self, rest: bytes) -> bytes:
        """Decode up to the next tag."""
        end = rest.find(b"<")
        piece = rest if end < 0 else rest[:end]
        self.content_bytes += len(piece)
        self._content.decode(piece)
        if end < 0:
            return b""
        self._finish_content()
        return rest[end:]

    def _at_tag(self, rest: bytes, passed: list[bytes]) -> bytes:
        """Act on the next tag of a vector; hold what is not a whole tag yet."""
        tag_at = rest.find(b"<")
        if tag_at < 0:
            return b""
        rest = rest[tag_at:]
        tag = _TAG.match(rest)
        if tag is None:
            if len(rest) <= _LONGEST_TAG_BYTES and _TAG_BEGUN.fullmatch(rest):
                self._held = rest
                return b""
            # No tag: the library would stumble over it, too.
            next_at = rest.find(b"<", 1)
            return self._broken_off(b"" if next_at < 0 else rest[next_at:], passed)
        ends, kind, inside, whole = tag.groups()
        after = rest[tag.end() :]
        if self._place is _Place.VECTOR_TAG:
            if kind != _OPENING[1:]:
                # Another message whose name begins like it.
                passed.append(rest[: tag.end()])
                self._place = _Place.OUTSIDE
                return after
            attributes = _attributes(inside)
            self._device, self._name = attributes.get("device", ""), attributes.get("name", "")
            self._vector_tag = b"<" + kind + inside + b">"
            self._delivery = []
            self._place = _Place.VECTOR
            if whole:
                self._finish_vector(passed)
        elif ends and kind == b"setBLOBVector":
            self._finish_vector(passed)
        elif kind == b"oneBLOB":
            if not ends:
                self._content = _Content(_attributes(inside))
                if whole:
                    self._finish_content()
                else:
                    self._place = _Place.CONTENT
        else:
            return self._broken_off(rest, passed)
        return after

    def _finish_content(self) -> None:
        self._delivery.append(self._content.snapshot(self._device, self._name))
        self._content = _Content({})
        self._place = _Place.VECTOR

    def _finish_vector(self, passed: list[bytes]) -> None:
        """Leave the vector in the stream, without its contents."""
        key = (self._device, self._name)
        waiting = self._waiting.setdefault(key, deque(maxlen=WAITING_DELIVERIES))
        waiting.append(tuple(self._delivery))
        self.summaries[key] = tuple(
            (one.element, one.format, one.declared_size, len(one.data)) for one in self._delivery
        )
        self._delivery = []
        passed.append(self._vector_tag + _CLOSING)
        self._place = _Place.OUTSIDE

    def _broken_off(self, rest: bytes, passed: list[bytes]) -> bytes:
        """End a vector that its driver left unfinished: something else follows."""
        if self._place is _Place.VECTOR:
            self._finish_vector(passed)
        self._place = _Place.OUTSIDE
        return rest


class _Content:
    """One binary element under way."""

    def __init__(self, attributes: dict[str, str]) -> None:
        self._attributes = attributes
        # Grows in place and hands its bytes over without a copy.
        self._decoded = io.BytesIO()
        self._odd = b""

    def decode(self, piece: bytes) -> None:
        """Take encoded bytes, cut anywhere."""
        letters = self._odd + piece.translate(None, _WHITE)
        whole = len(letters) // 4 * 4
        self._odd = letters[whole:]
        self._write(letters[:whole])

    def snapshot(self, device: str, name: str) -> BlobSnapshot:
        """Return what has arrived."""
        if len(self._odd) > 1:
            self._write(self._odd + b"=" * (4 - len(self._odd)))
        try:
            declared_size = int(self._attributes.get("size", "0"))
        except ValueError:
            declared_size = 0
        kind = self._attributes.get("format", "")
        if 0 < declared_size < self._decoded.tell() and not is_compressed(kind):
            self._decoded.truncate(declared_size)
        return BlobSnapshot(
            device=device,
            name=name,
            element=self._attributes.get("name", ""),
            format=kind,
            data=self._decoded.getvalue(),
            declared_size=declared_size,
        )

    def _write(self, letters: bytes) -> None:
        try:
            self._decoded.write(binascii.a2b_base64(letters))
        except binascii.Error:
            # No base64 at all: what is missing then shows in the size.
            self._odd = b""


def _attributes(inside: bytes) -> dict[str, str]:
    """Return a tag's attributes."""
    return dict(_each_attribute(inside))


def _each_attribute(inside: bytes) -> Iterator[tuple[str, str]]:
    for name, double, single in _ATTRIBUTE.findall(inside):
        value = html.unescape((double or single).decode("utf-8", "replace"))
        yield name.decode("ascii", "replace"), value
