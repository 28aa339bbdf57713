"""Standard streams: the driver's side of a stock ``indiserver``.

indiserver hands a driver one socket as both standard streams.  Making its input non-blocking, as
indipydriver's own reader does, makes its output non-blocking too, and long pictures lose bytes;
its reader also does not see the end of the stream.  So this reads and writes blocking duplicates
from two threads and ends the driver when the server goes.  Messages are written whole, one after
the other: a picture is never cut by another message.
"""

import asyncio
import logging
import os
import queue
import sys
import threading
import xml.etree.ElementTree as ET
from typing import Any

from polewright_drivers.indi.stream import ElementReader

logger = logging.getLogger(__name__)

_CHUNK_BYTES = 1 << 16


class StandardStreams:
    """Carries INDI over standard input and output.

    Parameters
    ----------
    driver : IPyDriver
        Whom the elements are for.
    """

    def __init__(self, driver: Any) -> None:
        self._driver = driver
        self._loop = asyncio.get_running_loop()
        self._input_fd = os.dup(sys.stdin.fileno())
        self._output_fd = os.dup(sys.stdout.fileno())
        # A stray print must not end up in the protocol.
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
        for descriptor in (self._input_fd, self._output_fd):
            os.set_blocking(descriptor, True)
        self._received: asyncio.Queue[bytes] = asyncio.Queue()
        self._outgoing: queue.SimpleQueue[ET.Element | None] = queue.SimpleQueue()
        for target in (self._read, self._write):
            threading.Thread(target=target, daemon=True).start()

    def _read(self) -> None:
        """Hand over what comes in; empty bytes are the end (runs in a thread)."""
        while True:
            try:
                data = os.read(self._input_fd, _CHUNK_BYTES)
            except OSError:
                data = b""
            try:
                self._loop.call_soon_threadsafe(self._received.put_nowait, data)
            except RuntimeError:  # the loop has ended before the stream
                return
            if not data:
                return

    def _write(self) -> None:
        """Write message after message (runs in a thread)."""
        while (element := self._outgoing.get()) is not None:
            data = memoryview(ET.tostring(element) + b"\n")
            try:
                while data:
                    data = data[os.write(self._output_fd, data) :]
            except OSError:
                logger.info("the server does not listen any more")
                return

    async def run_rx(self) -> None:
        """Read until the server goes, then end the driver."""
        reader = ElementReader()
        while not self._driver.stop:
            data = await self._received.get()
            if not data:
                break
            try:
                for element in reader.feed(data):
                    await self._driver.receive(element)
            except ET.ParseError as trouble:
                logger.warning("what the server sent is no XML (%s): skipped", trouble)
                reader = ElementReader()
        logger.info("the server has gone: ending")
        self._driver.end()

    async def run_tx(self, element: ET.Element) -> None:
        """Queue one message."""
        self._outgoing.put(element)

    def shutdown(self) -> None:
        """Let the writer finish."""
        self._outgoing.put(None)
