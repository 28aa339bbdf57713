"""Recording: property traffic as text, one line a message, for people and for tests.

docs/recording.md describes the format.
"""

import json
import re
import threading
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TextIO
from xml.etree.ElementTree import Element, ParseError, XMLPullParser
from xml.sax.saxutils import escape, quoteattr

from polewright.adapters.indi.blobs import BlobFilter
from polewright.adapters.indi.masking import masked
from polewright.core.errors import UsageError

HEADER = "polewright recording 1"
_LINE = re.compile(r"\s*(?P<at>\d{1,9}\.\d{1,9}) (?P<way>[<>]) (?P<rest>\S.*)")
_WORD = re.compile(r"[\w.:-]+")
_JSON = json.JSONDecoder()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedElement:
    """One element of a property in one message."""

    tag: str
    attributes: Mapping[str, str]
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedMessage:
    """One message of the protocol, or (with the tag ``connect``) the begin of a connection.

    Attributes
    ----------
    at_s : float
        Time since the recording began (s).
    sent : bool
        True from this side to the server, False from it.
    tag : str
        As in the protocol, for example ``setNumberVector``.
    attributes : mapping of str to str
        Of the message itself.
    elements : tuple of RecordedElement
        What it holds; of a BLOB only format and size.
    """

    at_s: float
    sent: bool
    tag: str
    attributes: Mapping[str, str] = field(default_factory=dict)
    elements: tuple[RecordedElement, ...] = ()

    @property
    def device(self) -> str:
        """The device that it is about; empty where none is named."""
        return self.attributes.get("device", "")

    @property
    def name(self) -> str:
        """The property that it is about; empty where none is named."""
        return self.attributes.get("name", "")

    def line(self) -> str:
        """Return the message as a line of a recording."""
        parts = [self.tag + _written(self.attributes)]
        for element in self.elements:
            text = f" = {json.dumps(element.text, ensure_ascii=False)}" if element.text else ""
            parts.append(element.tag + _written(element.attributes) + text)
        return f"{self.at_s:9.3f} {'>' if self.sent else '<'} {' | '.join(parts)}"

    def xml(self) -> str:
        """Return the message as the protocol has it, on one line."""
        inner = "".join(
            f"<{one.tag}{_quoted(one.attributes)}>{escape(one.text)}</{one.tag}>"
            for one in self.elements
        )
        return f"<{self.tag}{_quoted(self.attributes)}>{inner}</{self.tag}>\n"


def parse_line(line: str) -> RecordedMessage:
    """Return the message that a line of a recording holds.

    Raises
    ------
    ValueError
        The line is none.
    """
    match = _LINE.fullmatch(line.rstrip("\n"))
    if match is None:
        raise ValueError(f"not a line of a recording: {line[:80]!r}")
    head, *rest = _Reader(match["rest"]).parts()
    return RecordedMessage(
        at_s=float(match["at"]),
        sent=match["way"] == ">",
        tag=head.tag,
        attributes=head.attributes,
        elements=tuple(rest),
    )


def read_recording(path: Path) -> tuple[RecordedMessage, ...]:
    """Return the messages of a recording, in order.

    Raises
    ------
    UsageError
        The file is no recording, or a line of it is damaged.
    """
    try:
        # Not splitlines: texts may hold what it takes for the end of a line.
        lines = path.read_text("utf-8").split("\n")
    except (OSError, UnicodeDecodeError):
        lines = []
    if not lines or lines[0] != HEADER:
        raise UsageError(
            f"{path} is not a recording",
            remedy="Make one with `polewright doctor --record FILE`.",
            code="not_a_recording",
        )
    messages = []
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            messages.append(parse_line(line))
        except ValueError as error:
            raise UsageError(
                f"{path}, line {number}: {error}",
                remedy="Take the file as it was recorded.",
                code="not_a_recording",
            ) from None
    return tuple(messages)


class Recorder:
    """Writes traffic down; a :class:`polewright.adapters.indi.relay.Traffic`.

    Both directions write, each in its thread; a text file itself garbles lines that come at once.

    Parameters
    ----------
    file : text file
        Open for writing.
    with_place : bool
        Whether the site is written as exactly as devices tell it.
    heading : iterable of str
        Lines of comment for the top.
    """

    def __init__(self, file: TextIO, *, with_place: bool, heading: Iterable[str] = ()) -> None:
        self._file = file
        self._with_place = with_place
        self._begun_s = time.monotonic()
        self._one_at_a_time = threading.Lock()
        self.count = 0
        file.write("\n".join([HEADER, *(f"# {line}" for line in heading)]) + "\n")
        self._from_server, self._to_server = _Stream(), _Stream()

    def opened(self) -> None:
        """Note a new connection."""
        self._from_server, self._to_server = _Stream(), _Stream()
        self._write(RecordedMessage(at_s=self._now_s(), sent=True, tag="connect"))

    def sent(self, data: bytes) -> None:
        """Take bytes on their way to the server."""
        for element in self._to_server.feed(data):
            self._write(self._message(element, sent=True))

    def received(self, data: bytes, blobs: BlobFilter) -> None:
        """Take bytes from the server."""
        for element in self._from_server.feed(data):
            message = self._message(element, sent=False)
            if message.tag == "setBLOBVector":
                contents = blobs.summaries.get((message.device, message.name), ())
                message = replace(
                    message,
                    elements=tuple(
                        RecordedElement(
                            tag="oneBLOB", attributes={"name": name, "format": kind,
                                                       "size": str(declared), "came": str(came)}
                        )
                        for name, kind, declared, came in contents
                    ),
                )  # fmt: skip
            self._write(message)

    def _message(self, element: Element, *, sent: bool) -> RecordedMessage:
        return RecordedMessage(
            at_s=self._now_s(),
            sent=sent,
            tag=element.tag,
            attributes=dict(element.attrib),
            elements=tuple(
                RecordedElement(
                    tag=child.tag, attributes=dict(child.attrib), text=(child.text or "").strip()
                )
                for child in element
            ),
        )

    def _now_s(self) -> float:
        return time.monotonic() - self._begun_s

    def _write(self, message: RecordedMessage) -> None:
        values = {one.attributes.get("name", ""): one.text for one in message.elements}
        words = message.attributes.get("message", "")
        values, words = masked(message.name, values, words, with_place=self._with_place)
        attributes = dict(message.attributes)
        if words:
            attributes["message"] = words
        elements = tuple(
            replace(one, text=values[one.attributes.get("name", "")]) for one in message.elements
        )
        line = replace(message, attributes=attributes, elements=elements).line() + "\n"
        with self._one_at_a_time:
            self._file.write(line)
            self.count += 1


class _Stream:
    """One direction's bytes as messages; what is no XML is skipped to the next connection."""

    def __init__(self) -> None:
        self._parser: Any = XMLPullParser(["start", "end"])
        self._parser.feed("<stream>")
        self._depth = 0
        self._root: Element | None = None
        self._broken = False

    def feed(self, data: bytes) -> Iterator[Element]:
        if self._broken:
            return
        try:
            self._parser.feed(data)
            for happened, element in self._parser.read_events():
                if happened == "start":
                    self._root = element if self._root is None else self._root
                    self._depth += 1
                    continue
                self._depth -= 1
                if self._depth == 1 and self._root is not None:
                    self._root.clear()
                    yield element
        except ParseError as error:
            self._broken = True
            yield Element("unreadable", {"reason": str(error)})


class _Reader:
    """Reads words, attributes and quoted texts from the rest of a line."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0

    def parts(self) -> Iterator[RecordedElement]:
        while True:
            tag = self._word()
            attributes: dict[str, str] = {}
            text = ""
            while self._at < len(self._text) and not self._skip(" | "):
                if self._skip(" = "):
                    text = self._string()
                    continue
                self._expect(" ")
                name = self._word()
                self._expect("=")
                attributes[name] = self._string()
            yield RecordedElement(tag=tag, attributes=attributes, text=text)
            if self._at >= len(self._text):
                return

    def _skip(self, token: str) -> bool:
        if self._text.startswith(token, self._at):
            self._at += len(token)
            return True
        return False

    def _expect(self, token: str) -> None:
        if not self._skip(token):
            raise ValueError(f"{token!r} expected at {self._text[self._at :][:40]!r}")

    def _word(self) -> str:
        match = _WORD.match(self._text, self._at)
        if match is None:
            raise ValueError(f"a name expected at {self._text[self._at :][:40]!r}")
        self._at = match.end()
        return match[0]

    def _string(self) -> str:
        if not self._text.startswith('"', self._at):
            raise ValueError("a quoted text expected")
        value, self._at = _JSON.raw_decode(self._text, self._at)
        return str(value)


def _written(attributes: Mapping[str, str]) -> str:
    return "".join(
        f" {name}={json.dumps(value, ensure_ascii=False)}" for name, value in attributes.items()
    )


def _quoted(attributes: Mapping[str, str]) -> str:
    return "".join(f" {name}={quoteattr(value)}" for name, value in attributes.items())
