"""Stream: a run of INDI elements out of chunks of bytes."""

import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import Any


class ElementReader:
    """Cuts a byte stream into INDI elements; INDI has no document root."""

    def __init__(self) -> None:
        self._start()

    def _start(self) -> None:
        self._parser: Any = ET.XMLPullParser(events=("start", "end"))
        self._depth = 0
        self._root: ET.Element | None = None
        self._parser.feed(b"<root>")

    def feed(self, data: bytes) -> Iterator[ET.Element]:
        """Yield the elements that are complete.

        Raises
        ------
        xml.etree.ElementTree.ParseError
            What came is no XML; the stream cannot be read further.
        """
        self._parser.feed(data)
        for event, element in self._parser.read_events():
            if event == "start":
                self._depth += 1
                if self._root is None:
                    self._root = element
                continue
            self._depth -= 1
            if self._depth == 1 and self._root is not None:
                self._root.remove(element)
                yield element
