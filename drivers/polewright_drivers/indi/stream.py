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
        self._held: list[bytes] = []
        self._parser.feed(b"<root>")

    def feed(self, data: bytes) -> Iterator[ET.Element]:
        """Yield the elements that are complete.

        Raises
        ------
        xml.etree.ElementTree.ParseError
            What came is no XML; the stream cannot be read further.
        """
        # expat 2.6 and newer (and distributions' patched 2.5) hold a tag that came in pieces back
        # until much more has come: the parser gets whole tags only.
        whole = data.rfind(b">") + 1
        if not whole:
            self._held.append(data)
            return
        self._parser.feed(b"".join((*self._held, data[:whole])))
        self._held = [data[whole:]]
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
